//! Planted cases: parts placed first, a cavity grown round them. A search may miss some; a bound
//! may refuse none.

mod make;
mod piped;
mod plants;
mod surface;

use std::sync::atomic::AtomicBool;
use std::sync::atomic::Ordering;
use std::time::Duration;

use make::{Chance, Shape, five_driver_sizes, planted, planted_any};
use secondbend::mesh::MeshQueries;
use secondbend::stack::Depth;
use secondbend::stack::bounds::refusals;
use secondbend::stack::route::{Plumbing, tip_of};
use secondbend::stack::{FitAnswer, FitOptions, Verdict, fit};

/// A number from the environment, or else the usual one.
fn from_env(key: &str, usual: f64) -> f64 {
    let told = std::env::var(key).ok().and_then(|v| v.parse().ok());
    told.unwrap_or(usual)
}

/// The table of docs/fit.md. Slow; run with
/// `cargo test --release --test planted -- --ignored --nocapture table`.
#[test]
#[ignore = "minutes; prints the table"]
fn table() {
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
                while made < cases && number < 12 * cases {
                    number += 1;
                    let sizes = five_driver_sizes(&mut Chance(number));
                    let Some(case) = planted(number, &sizes, shape, tightness, slack) else {
                        continue;
                    };
                    made += 1;
                    case.save(&format!(
                        "{:.0}-{shape:?}-{slack}-{number}",
                        100.0 * tightness
                    ));
                    if seconds == 0.0 {
                        continue;
                    }
                    let (out, spent) = asked(&case, seconds);
                    let worst = out
                        .certificate
                        .as_ref()
                        .and_then(|c| c.worst().map(|m| m.spare_mm()));
                    if out.verdict == Verdict::Fits {
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
                println!(
                    "{tightness:.2} {shape:?} slack {slack}: {found}/{made} (of {number} laid), half within {mid:.2} s, all within {last:.2} s, {} starts each; missed {misses:?}",
                    starts as u64 / made.max(1)
                );
            }
        }
    }
}

/// No bound may refuse a case that has a placement. Six here; thousands with
/// `CASES=3000 … -- --ignored --nocapture refuse`.
#[test]
fn no_bound_refuses_a_planted_case() {
    never_refused(1, 6);
}

#[test]
#[ignore = "an hour; CASES tells how many"]
fn no_bound_refuses_thousands_of_planted_cases() {
    never_refused(1000, from_env("CASES", 3000.0) as u64);
}

fn never_refused(from: u64, cases: u64) {
    let mut made = 0;
    for number in from..from + cases {
        let mut chance = Chance(number);
        // One to five parts, from cubes to boards, laid with hardly any slack.
        let n = 1 + (chance.unit() * 5.0) as usize;
        let sizes: Vec<[f64; 3]> = (0..n)
            .map(|_| [0; 3].map(|_| chance.within(0.8, 7.0)))
            .collect();
        let shape = if chance.unit() < 0.7 {
            Shape::Grown
        } else {
            Shape::Hull
        };
        let Some(case) = planted_any(number, &sizes, shape, chance.within(0.0, 0.4), 0.005) else {
            continue;
        };
        made += 1;
        let depth = Depth::new(&case.cavity);
        let refused: Vec<_> = refusals(&case.cavity, &case.stack, &depth).collect();
        assert!(refused.is_empty(), "case {number}, {sizes:?}: {refused:?}");
    }
    println!("{made} of {cases} cases made, none refused");
    assert!(made * 2 > cases);
}

/// The table of cases with tubes; run as the other table.
#[test]
#[ignore = "minutes; prints the table"]
fn tubes_table() {
    let cases = from_env("CASES", 10.0) as u64;
    let seconds = from_env("SECONDS", 10.0);
    let only = from_env("PARTS", 0.0) as usize;
    let from = from_env("FROM", 0.0) as u64;
    for parts in 1..=5 {
        if only > 0 && only != parts {
            continue;
        }
        for (loose, slack) in [(0.6, 0.2), (0.3, 0.05)] {
            let (mut found, mut made, mut number) = (0, 0, from);
            let (mut times, mut misses, mut tight) = (Vec::new(), Vec::new(), 0.0);
            while made < cases && number < from + 10 * cases {
                number += 1;
                let Some(case) = piped::piped(number, parts, loose, slack) else {
                    continue;
                };
                made += 1;
                tight += case.tightness;
                case.save(&format!("tubes-{parts}-{slack}-{number}"));
                if seconds == 0.0 {
                    continue;
                }
                let (answer, spent) = asked(&case, seconds);
                if answer.verdict == Verdict::Fits {
                    found += 1;
                    times.push(spent / 2.0);
                } else {
                    misses.push(format!(
                        "#{number} {} {:?}",
                        answer.verdict.name(),
                        answer.blocker
                    ));
                }
            }
            times.sort_by(f64::total_cmp);
            let mid = times.get(times.len() / 2).copied().unwrap_or(f64::NAN);
            println!(
                "{parts} parts loose {loose} slack {slack}: {found}/{made} (of {number}), tightness {:.2}, half within {mid:.2} s, all within {:.2} s; missed {misses:?}",
                tight / made.max(1) as f64,
                times.last().copied().unwrap_or(f64::NAN)
            );
        }
    }
}

/// Tubes laid between parts that stand where they were planted: how often, and how long it takes.
#[test]
#[ignore = "prints a table"]
fn laying_table() {
    let never = || false;
    let only = from_env("PARTS", 0.0) as usize;
    for parts in (1..=5).filter(|&p| only == 0 || p == only) {
        for (loose, slack) in [(0.6, 0.2), (0.3, 0.05)] {
            let mut made = 0;
            let (mut quick, mut slow, mut spent) = (0, 0, [0.0; 2]);
            for number in 1..=12 {
                let Some(case) = piped::piped(number, parts, loose, slack) else {
                    continue;
                };
                made += 1;
                case.save(&format!("tubes-{parts}-{slack}-{number}"));
                let depth = Depth::new(&case.cavity);
                let queries = MeshQueries::new(case.cavity.mesh());
                let leaves = tip_of(&case.cavity, &case.stack, &depth, &queries);
                let tip = leaves.map(|l| l.0);
                let plumbing =
                    Plumbing::new(&case.stack, &depth, &queries, tip).expect("tubes are asked for");
                let poses: Vec<_> = case.planted.parts.iter().map(|p| p.pose).collect();
                for thorough in [false, true] {
                    let start = cpu_seconds();
                    let laid = plumbing.lay(&poses, &[], thorough, &never);
                    spent[usize::from(thorough)] += cpu_seconds() - start;
                    match (laid, thorough) {
                        (Ok(_), true) => slow += 1,
                        (Ok(_), false) => quick += 1,
                        (Err(no_way), true) => println!("#{number}: {no_way:?}, tip {tip:?}"),
                        (Err(_), false) => {}
                    }
                }
            }
            println!(
                "{parts} parts slack {slack}: of {made} quickly {quick} ({:.2} s), else {slow} ({:.2} s)",
                spent[0], spent[1]
            );
        }
    }
}

/// A small stack is found at once, and the answer carries its certificate.
#[test]
fn a_planted_case_is_found() {
    let sizes = [[6.3, 4.3, 3.0], [5.0, 2.7, 2.0], [5.0, 2.7, 2.0]];
    for shape in [Shape::Hull, Shape::Grown] {
        let case = planted_any(3, &sizes, shape, 0.3, 0.05).expect("it can be laid");
        let options = FitOptions {
            seconds: None,
            effort: 40,
            ..FitOptions::default()
        };
        let answer = fit(&case.cavity, &case.stack, options, &AtomicBool::new(false));
        assert_eq!(
            answer.verdict,
            Verdict::Fits,
            "{shape:?} {:.2}",
            case.tightness
        );
        assert!(answer.certificate.expect("fits").fits());
    }
}

/// The answer within the processor time of so many seconds on two free cores, and the time it took.
fn asked(case: &make::Case, seconds: f64) -> (FitAnswer, f64) {
    let (answer, spent) = within_cpu(2.0 * seconds, |stop| {
        let options = FitOptions {
            seconds: None,
            effort: 1_000_000,
            ..FitOptions::default()
        };
        fit(&case.cavity, &case.stack, options, stop)
    });
    if let Verdict::CannotFit(proof) = &answer.verdict {
        panic!("a planted case is refused: {proof:?}");
    }
    (answer, spent)
}

/// Processor seconds this process has used, where the system tells.
fn cpu_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after = text.rsplit(')').next().unwrap_or("");
    let field = |k: usize| {
        after
            .split_whitespace()
            .nth(k)
            .and_then(|s| s.parse::<f64>().ok())
    };
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
