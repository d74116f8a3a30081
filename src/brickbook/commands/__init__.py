"""The verbs of the command line, one module each. They parse, call and print; they compute nothing."""
