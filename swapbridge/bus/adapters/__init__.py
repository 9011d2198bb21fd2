"""Opening, locking and watching one adapter; frames in and out of python-can."""
