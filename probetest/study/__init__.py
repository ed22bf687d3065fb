"""A study of every interval, flag and verdict on simulated tests whose truth is known."""
