"""The dashboard as a browser, a program or an attacker meets it."""
