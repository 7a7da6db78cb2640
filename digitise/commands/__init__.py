"""The commands, one module an idea: each adds its parsers, and imports heavy parts only when it runs."""

from digitise.commands import demo, earlier, evaluate, exchanging, printing, reading, reporting, reviewing

COMMANDS = (printing, reading, reviewing, reporting, earlier, exchanging, evaluate, demo)
