"""Phone photographs of pencil-written reef-survey sheets become cover and density."""

__version__ = "0.1.0"
