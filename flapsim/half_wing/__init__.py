"""From a case to what the kernel solves."""
