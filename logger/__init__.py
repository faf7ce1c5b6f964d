"""The van's memory: reads its boxes, counts, and keeps the book.

Pure rooms (`core`, `decode`, `pipeline`) turn what came in into what is stored; the
edges (`store`, later `sources`) move bytes and decide nothing. Imports point down only;
the order is held by the import contracts in pyproject.toml.
"""
