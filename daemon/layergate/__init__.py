"""Layergate: a preflight gate between print jobs and a material-extrusion printer.

This package file imports nothing: the link process must start without numpy, and the check without the daemon.
"""

__version__ = "0.1.0"
