"""Bad bakes of known cause, made by a baker that shares no code with the package."""
