"""A simulated instrument: what its specification says, on a circuit, in virtual time."""
