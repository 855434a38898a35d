"""The deck: what sounds, from prepared lanes, through a device, a silent clock or a file."""
