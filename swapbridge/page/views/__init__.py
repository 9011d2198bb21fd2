"""Page room: one file for each of the page's seven views; each offers `routes(bench)`."""
