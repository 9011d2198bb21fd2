"""What is heard and what is sent: sources, targets, fallbacks, states, passing."""
