"""Instruments that ship with the controller; a configuration names one by class or short name."""
