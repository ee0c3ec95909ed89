"""Where people meet the tool: the command line and what it shows."""
