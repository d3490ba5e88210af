"""The command line: entry, options, parsing, output."""
