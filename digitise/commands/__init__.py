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
    handover,
    keeping,
    printing,
    protocols,
    reading,
    reporting,
    reviewing,
    thinning,
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
    handover,
    keeping,
    thinning,
    doctor,
    evaluate,
    calibrate,
    demo,
)
