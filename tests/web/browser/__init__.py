"""The pages in a real browser: Debian's Chromium, a phone of 390 by 844."""
