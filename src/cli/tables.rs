//! `secondbend limits` and `secondbend checks`: the two tables, printed and explained.

use crate::checks;
use crate::limits::{self, Limits, nearest_key, rows};
use crate::report::shown;

use super::args::{ChecksArgs, LimitsArgs};
use super::{Ending, Failure, print};

pub(super) fn limits(args: &LimitsArgs) -> Result<Ending, Failure> {
    if let Some(file) = &args.check {
        Limits::read(file)?;
        print(&format!("{}: good\n", shown(&file.to_string_lossy())))?;
        return Ok(Ending::AllHold);
    }
    let values = match &args.limits {
        Some(file) => Limits::read(file)?,
        None => Limits::default(),
    };
    let text = match &args.key {
        _ if args.toml => limits::to_toml(&values),
        None => limits::explain_all(&values),
        Some(key) => {
            let row = rows::find(key).ok_or_else(|| {
                Failure::new(
                    format!("no limit is called `{key}`"),
                    nearest(nearest_key(key), "secondbend limits"),
                )
            })?;
            limits::explain(row, &values)
        }
    };
    print(&text)?;
    Ok(Ending::AllHold)
}

fn nearest(near: Option<&str>, lists: &str) -> String {
    let near = near.map_or_else(String::new, |near| format!("the nearest is `{near}`; "));
    format!("{near}`{lists}` lists them all")
}

pub(super) fn checks(args: &ChecksArgs) -> Result<Ending, Failure> {
    let text = match &args.id {
        None => checks::list(),
        Some(id) => checks::explain_id(id).ok_or_else(|| {
            Failure::new(
                format!("no check is called `{id}`"),
                nearest(checks::nearest_id(id), "secondbend checks"),
            )
        })?,
    };
    print(&text)?;
    Ok(Ending::AllHold)
}
