"""What marks say about practice: estimates, the ladder's credit, the plan of a session, the report."""
