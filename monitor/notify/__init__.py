"""Word to people: a durable outbox, routes, escalation, digest."""
