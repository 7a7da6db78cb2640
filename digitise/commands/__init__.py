"""The commands, one module an idea: each adds its parsers, and imports heavy parts only when it runs."""

from digitise.commands import completeness, demo, evaluate, printing, protocols, reading, reviewing, survey

COMMANDS = (printing, protocols, reading, reviewing, completeness, survey, evaluate, demo)
