"""Events in and out over brokers, and what could not be taken or sent."""
