"""From a protocol file to pages ready to print: what a survey asks for, where every cell is, and the drawing of it."""
