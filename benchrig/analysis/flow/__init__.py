"""Open flow: conductance, critical pressure ratio and opening delay from a reservoir that fills through the valve."""
