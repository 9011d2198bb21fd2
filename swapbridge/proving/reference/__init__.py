"""What should be sent, worked out exactly from bridge file and maps alone."""
