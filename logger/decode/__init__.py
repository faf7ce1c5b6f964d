"""Pure: what the bytes mean. Tables and descriptions are data; no device has code."""
