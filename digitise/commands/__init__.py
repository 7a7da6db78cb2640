"""The commands, one module an idea: each adds its parsers, and imports heavy parts only when it runs."""

from digitise.commands import (
    calibrate,
    compare,
    completeness,
    demo,
    doctor,
    earlier,
    evaluate,
    exchanging,
    keeping,
    printing,
    protocols,
    reading,
    reporting,
    reviewing,
)

COMMANDS = (
    printing,
    protocols,
    reading,
    reviewing,
    completeness,
    reporting,
    compare,
    earlier,
    exchanging,
    keeping,
    doctor,
    evaluate,
    calibrate,
    demo,
)
