"""From a folder of raw files to an indexed ticket."""
