"""What commands share on the terminal."""
