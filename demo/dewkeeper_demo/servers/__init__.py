"""Phones and mail servers on loopback that misbehave on command: real sockets, real TLS, scripted trouble."""
