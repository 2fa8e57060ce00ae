//! Planning formulas of the optics and of time.
