"""Does this form belong with its kin? Landmarks on scanned bones in, a defensible verdict out."""

__version__ = "0.1.0"
