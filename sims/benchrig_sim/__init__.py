"""A simulated rig with an invented bench behind it; see about.py for what is not modelled."""
