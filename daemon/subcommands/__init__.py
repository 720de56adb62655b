"""The sub-commands of the drillfeed command: one module for each, imported only when it is called."""
