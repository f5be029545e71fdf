"""The values that rooms hand to each other: plain, frozen, without behaviour beyond naming."""
