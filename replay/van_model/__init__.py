"""The Dunlin: an invented van that speaks CAN and text lines as real boxes do."""
