"""Long simulations whose tables the validation notes hold."""
