"""Version of the firmware."""

VERSION = "0.1.0"
