mod closed_forms;
mod ears;
mod plan_files;
pub(crate) mod turned;
