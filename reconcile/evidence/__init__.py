"""What speaks for or against a number: controls, custody, suspected faults, documents."""
