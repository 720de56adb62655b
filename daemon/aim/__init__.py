"""Aiming: wheel speeds and tilt for the ball a player wants, and calibration from measured landings."""
