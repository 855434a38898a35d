"""The commands, a module each; `command` in it is loaded when it is called."""
