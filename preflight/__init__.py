"""Pre-flight and go/no-go for small high-altitude-balloon crews."""

__version__ = "0.1.0"
