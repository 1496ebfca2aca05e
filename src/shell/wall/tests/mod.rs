//! The wall against closed forms, a slow twin, an independent nearest-point search, and invariances.

mod bore_lengths;
mod closed_forms;
mod lands;
mod openings;
mod twins;
