"""The guided set-up of a machine: what to ask a builder, what to make of the answers, and the profile that results."""
