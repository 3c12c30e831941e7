"""The physical world and the instruments in it. Speaks only wire protocols; never imports the program."""
