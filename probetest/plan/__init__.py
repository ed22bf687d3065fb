"""A test before it is run: directions, touches, orientations, order, program and record sheet."""
