//! The integration tests as one program: linked once, and run side by side.

mod colour_values;
mod density_encodings;
mod density_values;
