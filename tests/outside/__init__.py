"""Judges that share no line and no equation with the product."""
