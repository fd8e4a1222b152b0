"""MTF50 by colour, zone and direction."""
