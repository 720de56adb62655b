"""One module a sub-command of the drillfeed command, imported only when it is called."""
