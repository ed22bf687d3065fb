"""What a user comes for: each job wires importers and statistics into one result."""
