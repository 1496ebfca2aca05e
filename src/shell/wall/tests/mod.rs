//! The wall against closed forms, a slow twin, an independent nearest-point search, and invariances.

mod closed_forms;
mod lands;
mod twins;
