"""Flight: the state in which the craft flies, the watts that takes, and what can go wrong."""
