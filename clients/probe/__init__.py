"""The driver probe: it plays the daemon, tries every rule of the driver link on a driver, and says which hold."""
