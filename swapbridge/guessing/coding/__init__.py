"""Payload bits as columns, and what their history costs to write down."""
