"""From the ball a player wants to wheel speeds and tilt, and back from measured landings."""
