"""The commands, one module an idea: each adds its parsers, and imports heavy parts only when it runs."""

from digitise.commands import compare, demo, doctor, evaluate, keeping, printing, reading, reviewing, survey

COMMANDS = (printing, reading, reviewing, survey, compare, keeping, doctor, evaluate, demo)
