"""From a bridge file and signal maps to a checked plan, or a refusal that says why."""
