"""The door to a shared folder: who may come in, what each may see, and who is asking."""
