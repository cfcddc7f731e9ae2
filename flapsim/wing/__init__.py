"""What the wing is and how it moves."""
