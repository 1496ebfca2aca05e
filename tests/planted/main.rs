//! Planted cases: parts placed first, a cavity grown round them. A search may miss some; a bound
//! may refuse none.

mod make;
mod surface;

use std::sync::atomic::AtomicBool;
use std::sync::atomic::Ordering;
use std::time::Duration;

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
                let (mut found, mut made, mut number, mut starts) = (0, 0, 0_u64, 0);
                let (mut times, mut misses) = (Vec::new(), Vec::new());
                while made < cases && number < 40 * cases {
                    number += 1;
                    let sizes = five_driver_sizes(&mut Chance(number));
                    let Some(case) = planted(number, &sizes, shape, tightness, slack) else {
                        continue;
                    };
                    made += 1;
                    let (out, spent) = within_cpu(2.0 * seconds, |stop| {
                        let depth = Depth::new(&case.cavity);
                        let effort = Effort { seed: 1, rounds: 1_000_000, until: None };
                        search(&case.cavity, &case.stack, &depth, effort, stop)
                    });
                    let worst = out.certificate.as_ref().and_then(|c| c.worst().map(|m| m.spare_mm()));
                    if out.certificate.is_some_and(|c| c.fits()) {
                        found += 1;
                        times.push(spent / 2.0);
                    } else {
                        misses.push(format!("#{number} {:.3}", worst.unwrap_or(f64::NAN)));
                    }
                    starts += out.starts;
                }
                times.sort_by(f64::total_cmp);
                let mid = times.get(times.len() / 2).copied().unwrap_or(f64::NAN);
                let last = times.last().copied().unwrap_or(f64::NAN);
                println!("{tightness:.2} {shape:?} slack {slack}: {found}/{made} (of {number} laid), half within {mid:.2} s, all within {last:.2} s, {} starts each; missed {misses:?}", starts as u64 / made.max(1));
            }
        }
    }
}

/// Processor seconds this process has used, where the system tells.
fn cpu_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after = text.rsplit(')').next().unwrap_or("");
    let field = |k: usize| after.split_whitespace().nth(k).and_then(|s| s.parse::<f64>().ok());
    (field(11).unwrap_or(0.0) + field(12).unwrap_or(0.0)) / 100.0
}

/// Runs a job until it has used so many processor seconds: twice the seconds that two free cores
/// would take, however busy the machine is. Returns what it took.
fn within_cpu<T>(limit: f64, job: impl FnOnce(&AtomicBool) -> T) -> (T, f64) {
    let (stop, done) = (AtomicBool::new(false), AtomicBool::new(false));
    let start = cpu_seconds();
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while !done.load(Ordering::Relaxed) {
                if cpu_seconds() - start > limit {
                    stop.store(true, Ordering::Relaxed);
                }
                std::thread::sleep(Duration::from_millis(20));
            }
        });
        let out = job(&stop);
        done.store(true, Ordering::Relaxed);
        (out, cpu_seconds() - start)
    })
}
