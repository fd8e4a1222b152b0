"""From the parameters of a scene to the pixels of a frame, and to the true numbers of the same scene."""
