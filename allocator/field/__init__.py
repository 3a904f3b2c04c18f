"""6. Places become work: rounds, calendar, kit, money."""
