"""The commands, one module an idea: each adds its parsers, and imports heavy parts only when it runs."""

from digitise.commands import (
    compare,
    completeness,
    demo,
    doctor,
    evaluate,
    keeping,
    printing,
    protocols,
    reading,
    reviewing,
    survey,
)

COMMANDS = (
    printing,
    protocols,
    reading,
    reviewing,
    completeness,
    survey,
    compare,
    keeping,
    doctor,
    evaluate,
    demo,
)
