"""What the window shows, without Qt: fed by the engine's events, tested without a screen."""
