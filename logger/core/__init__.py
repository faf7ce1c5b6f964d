"""Pure: what the numbers mean. No clock, no file, no thread; time is an argument."""
