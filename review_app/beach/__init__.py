"""The beach: phones send photographs to the laptop over its own network, and see at once whether each can be read."""
