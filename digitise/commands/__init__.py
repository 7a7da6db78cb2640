"""The commands, one module an idea: each adds its parsers, and imports heavy parts only when it runs."""

from digitise.commands import compare, demo, evaluate, printing, reading, reviewing, survey

COMMANDS = (printing, reading, reviewing, survey, compare, evaluate, demo)
