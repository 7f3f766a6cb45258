"""The live service: `Client` speaks with one that `difftone serve` has started."""

from controller.service.client import Client

__all__ = ["Client"]
