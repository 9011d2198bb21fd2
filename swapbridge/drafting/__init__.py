"""Drafting room: from recordings alone to maps, a needs list and a bridge file."""
