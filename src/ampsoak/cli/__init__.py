"""The commands; talks to people."""
