"""Bench tests of removed injectors, solenoids and small pumps on a USB relay/ADC rig."""

__version__ = "0.1.0"
