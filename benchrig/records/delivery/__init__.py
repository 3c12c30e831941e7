"""What a bench recorded in its own store, brought to the store that it shares with others: once, whole, in order."""
