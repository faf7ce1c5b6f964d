"""Laws and worked examples of the chain from items to rows."""
