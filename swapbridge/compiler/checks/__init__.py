"""What is never sent, and what the needs list asks for."""
