"""CT in, bone out. Knows no screw, no plan and no screen."""
