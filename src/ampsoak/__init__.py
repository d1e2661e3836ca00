"""ampsoak: how hot an overloaded cable in a wall gets, and which device opens first."""

__version__ = "0.1.0"
