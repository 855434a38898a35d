"""The deck: prepared lanes played through a device, a silent clock or into a file."""
