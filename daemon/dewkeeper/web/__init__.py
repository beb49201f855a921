"""The page: what a tired keeper sees on a phone, and what the keeper tells the tool back.

It reads history and submits the same requests as the command line; it judges nothing and switches nothing.
"""
