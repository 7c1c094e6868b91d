"""How to talk to stations: the contract, the kinds, the simulator and the conformance kit."""
