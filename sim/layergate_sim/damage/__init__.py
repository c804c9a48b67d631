"""The damage maker: puts one known fault into a job, at a repeatable place. Imports nothing of the daemon."""

from .layers import remove_layer

__all__ = ["remove_layer"]
