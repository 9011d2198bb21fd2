"""Page room: one file for each of the views; each offers `routes(site)`."""
