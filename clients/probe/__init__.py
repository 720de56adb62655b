"""A daemon that only asks: it plays every rule of the driver link against a driver and says which hold."""
