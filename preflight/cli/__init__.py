"""The command line: one module per command, each imported only when it is called."""
