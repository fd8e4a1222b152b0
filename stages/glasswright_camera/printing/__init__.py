"""Charts and sheets on paper, true to scale."""
