"""One judge a file: each compares what was sent with one kind of expectation."""
