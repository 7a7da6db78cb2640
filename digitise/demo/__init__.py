"""What `digitise demo` shows."""
