//! Planted cases: parts placed first, a cavity grown round them. A search may miss some; a bound
//! may refuse none.

mod make;
mod surface;

use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use make::{Chance, Shape, five_driver_sizes, planted};
use secondbend::stack::Depth;
use secondbend::stack::search::{Effort, search};

/// The table of docs/fit.md. Slow; run with
/// `cargo test --release --test planted -- --ignored --nocapture table`.
#[test]
#[ignore = "minutes; prints the table"]
fn table() {
    let from_env = |k: &str, d: f64| std::env::var(k).ok().and_then(|v| v.parse().ok()).unwrap_or(d);
    let cases = from_env("CASES", 10.0) as u64;
    let seconds = from_env("SECONDS", 10.0);
    let only = from_env("TIGHT", 0.0);
    for tightness in [0.30, 0.40, 0.45, 0.50, 0.55] {
        if only > 0.0 && (only - tightness).abs() > 1e-9 {
            continue;
        }
        for shape in [Shape::Hull, Shape::Grown] {
            for slack in [0.1, 0.03] {
                let (mut found, mut made, mut number) = (0, 0, 0_u64);
                let (mut times, mut misses) = (Vec::new(), Vec::new());
                while made < cases && number < 40 * cases {
                    number += 1;
                    let sizes = five_driver_sizes(&mut Chance(number));
                    let Some(case) = planted(number, &sizes, shape, tightness, slack) else {
                        continue;
                    };
                    made += 1;
                    let start = Instant::now();
                    let depth = Depth::new(&case.cavity);
                    let until = Some(start + Duration::from_secs_f64(seconds));
                    let effort = Effort { seed: 1, rounds: 1_000_000, until };
                    let out = search(&case.cavity, &case.stack, &depth, effort, &AtomicBool::new(false));
                    let worst = out.certificate.as_ref().and_then(|c| c.worst().map(|m| m.spare_mm()));
                    if out.certificate.is_some_and(|c| c.fits()) {
                        found += 1;
                        times.push(start.elapsed().as_secs_f64());
                    } else {
                        misses.push(format!("#{number} {:.3}", worst.unwrap_or(f64::NAN)));
                    }
                }
                times.sort_by(f64::total_cmp);
                let mid = times.get(times.len() / 2).copied().unwrap_or(f64::NAN);
                let last = times.last().copied().unwrap_or(f64::NAN);
                println!("{tightness:.2} {shape:?} slack {slack}: {found}/{made} (of {number} laid), half within {mid:.2} s, all within {last:.2} s; missed {misses:?}");
            }
        }
    }
}
