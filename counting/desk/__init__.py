"""The second door: the whole job in a browser, by the same functions as the command line."""
