"""Laws and worked examples of the pure core."""
