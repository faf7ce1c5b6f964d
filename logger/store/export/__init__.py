"""What leaves a log: tables, tracks and CAN logs. The headers are an interface."""
