"""7. A plan becomes files. Nothing is calculated here."""
