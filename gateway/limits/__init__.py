"""What one caller may ask of the listener: bytes, seconds, connections, events."""
