"""The logger at work: sources, pipeline, writer and snapshot, wired together."""
