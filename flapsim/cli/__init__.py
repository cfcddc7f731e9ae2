"""The command line: parse, call, print; nothing is computed here."""
