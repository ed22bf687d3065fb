"""What a command shows on the screen: tables, problems, progress."""
