"""From the crank to the battery."""
