mod closed_forms;
mod ears;
mod plan_files;
mod rims;
pub(crate) mod turned;
