"""What every room knows: the folder and its settings, values, quantities, errors."""
