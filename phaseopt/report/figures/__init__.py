"""Pictures: one file a kind of picture, on what all of them share (`drawing`, `colours`)."""
