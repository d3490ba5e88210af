"""One file a command; ../command_line.py lists them and loads each when it is asked for."""
