"""Far ends for station adapters: devices that speak the protocol, each on a free port."""
