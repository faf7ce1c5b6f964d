"""Real SocketCAN: a Linux kernel of our own, started as an ordinary program."""
