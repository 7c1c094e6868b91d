"""Events out over HTTP, signed."""
