"""A simulated bench on the network: SCPI in form, over sockets, serial lines and pyvisa-sim."""
