mod closed_forms;
pub(crate) mod ears;
mod plan_files;
mod rims;
pub(crate) mod turned;
