"""Results of earlier years, from tables made before this tool was used."""

from digitise.earlier.result import EarlierResult

__all__ = ["EarlierResult"]
