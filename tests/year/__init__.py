"""A made-up year of a made-up van: what charts, limits and benches are tried on."""
