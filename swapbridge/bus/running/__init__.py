"""Running and replaying a plan on live buses, behind a gate."""
