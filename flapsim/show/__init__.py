"""What people look at: figures, animations and tables. Computes nothing new."""
