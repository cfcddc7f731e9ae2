"""One case, or thousands, through one stroke."""
