"""The foot switch: one contact, and what a press of it means."""
