"""The command line, tried as a person or a script would."""
