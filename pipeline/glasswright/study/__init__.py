"""The study of a stand: how well a number comes out again, and how much of that is fitting the lens anew."""
