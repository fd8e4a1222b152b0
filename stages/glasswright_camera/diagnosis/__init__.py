"""Diagnosis: faults that the measurements of a ticket indicate."""
