"""Messages from the broker, validated and receipted only after the store committed."""
