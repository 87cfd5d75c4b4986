"""What an alarm means and what to do about it: text as data, one record a kind."""
