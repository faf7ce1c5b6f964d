"""The checks of the project; `sh tests/check` runs them all."""
