"""From any table file to typed rows, with nothing lost and nothing invented."""
