"""What files state beside their pixels: times, the instrument's state, exposure."""
