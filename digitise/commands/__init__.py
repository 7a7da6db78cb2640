"""The commands, one module an idea: each adds its parsers, and imports heavy parts only when it runs."""

from digitise.commands import (
    compare,
    completeness,
    demo,
    doctor,
    earlier,
    evaluate,
    exchanging,
    handover,
    keeping,
    people,
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
    people,
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
    demo,
)
