"""Training and calibration of the readers. Needs the ``train`` extra (PyTorch); nothing here runs in the product."""
