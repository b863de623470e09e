"""The command line, thin: nothing heavy is imported before a command is chosen."""
