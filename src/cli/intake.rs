//! `secondbend intake`: a folder of scans in, one line each, an index with the pages it links, CSV
//! and JSON Lines out. A bad file is one line; what a stopped run had done is not done again.

use std::fs::File;
use std::io::{self, BufReader, Read, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use rayon::prelude::*;
use sha2::{Digest, Sha256};

use crate::canal::Side;
use crate::checks::{Outcome, Verdict};
use crate::intake::{Ear, Kept, Key, Named, Store, named, pair_words, scans_in, side_by_side};
use crate::limits::Limits;
use crate::read::{ReadOptions, Unit, read_file};
use crate::report::page::{IndexRow, index_page, page};
use crate::report::{self, Command, Line, Report, SideWord, shown};
use crate::write::whole_file;

use super::args::Intake as Args;
use super::vet::{Progress, ending, vetted};
use super::{Ending, Failure, print, threads};

/// Scans between two prints, for every thread: fewer, and threads wait for each other; more, and
/// the lines come in lumps.
const AT_A_TIME: usize = 4;

struct Settings {
    folder: PathBuf,
    read: ReadOptions,
    unit: Option<Unit>,
    limits: Limits,
    store: Store,
}

/// What became of one scan.
struct Done {
    /// As it was read, which is what reports name it by.
    path: PathBuf,
    /// Within the folder.
    name: PathBuf,
    named: Named,
    key: Option<Key>,
    result: Result<Kept, Failure>,
    anew: bool,
}

pub(super) fn run(args: &Args) -> Result<Ending, Failure> {
    let shown_folder = shown(&args.folder.to_string_lossy());
    if !args.folder.is_dir() {
        return Err(Failure::new(
            format!("{shown_folder}: no folder"),
            "name a folder; single scans go to `secondbend vet`",
        ));
    }
    let out = args
        .out
        .clone()
        .unwrap_or_else(|| args.folder.join("intake"));
    let scans = scans_in(&args.folder, &out)
        .map_err(|e| Failure::new(e.to_string(), "name a folder that can be read"))?;
    if scans.is_empty() {
        return Err(Failure::new(
            format!("{shown_folder}: no scan is in it"),
            "name a folder with STL, PLY, OBJ, OFF or 3MF files",
        ));
    }
    let settings = settings(args, &out)?;
    let pool = threads(args.jobs)?;
    let stop = Arc::new(AtomicBool::new(false));
    let called = Arc::clone(&stop);
    // A second handler in one process is refused; then Ctrl-C ends the program as it always does.
    let _ = ctrlc::set_handler(move || called.store(true, Ordering::Relaxed));
    let progress = Progress::new(scans.len());
    let mut all: Vec<Done> = Vec::new();
    for some in scans.chunks(AT_A_TIME * pool.current_num_threads().max(1)) {
        let done: Vec<Done> =
            pool.install(|| some.par_iter().map(|path| one(path, &settings)).collect());
        if !args.quiet {
            progress.aside(|| done.iter().try_for_each(|d| print(&line(d))))?;
        }
        progress.step(some.len());
        all.extend(done);
        if stop.load(Ordering::Relaxed) && all.len() < scans.len() {
            drop(progress);
            return Err(Failure::new(
                format!("stopped: {} of {} scans are done", all.len(), scans.len()),
                "the same command goes on from there",
            ));
        }
    }
    drop(progress);
    let order = side_by_side(&all.iter().map(ear).collect::<Vec<_>>());
    let listed: Vec<&Done> = order.iter().filter_map(|&i| all.get(i)).collect();
    write_lists(&settings, &listed)?;
    if !args.quiet {
        print(&summary(&settings, &all))?;
    }
    let worst = all.iter().map(|d| match &d.result {
        Ok(kept) => ending(&kept.report),
        Err(_) => Ending::CannotTell,
    });
    Ok(worst.max().unwrap_or(Ending::CannotTell))
}

fn settings(args: &Args, out: &Path) -> Result<Settings, Failure> {
    let limits = args.limits.as_deref();
    let limits = limits.map_or_else(|| Ok(Limits::default()), Limits::read)?;
    let store = Store::open(out).map_err(|e| {
        let fact = format!("{}: the folder cannot be made: {e}", out.display());
        Failure::new(fact, "name one that can be written to with `--out`")
    })?;
    let unit: Option<Unit> = args.unit.map(Into::into);
    Ok(Settings {
        folder: args.folder.clone(),
        read: ReadOptions {
            unit,
            ..ReadOptions::default()
        },
        unit,
        limits,
        store,
    })
}

fn one(path: &Path, settings: &Settings) -> Done {
    let name = path
        .strip_prefix(&settings.folder)
        .unwrap_or(path)
        .to_path_buf();
    let named = named(&name.file_stem().unwrap_or_default().to_string_lossy());
    let mut done = Done {
        path: path.to_path_buf(),
        name,
        named,
        key: None,
        result: Err(Failure::new("", "")),
        anew: false,
    };
    // No input should panic; should one do so all the same, the other scans still go on.
    let work = catch_unwind(AssertUnwindSafe(|| {
        measure(path, settings, &done.name, &done.named)
    }));
    done.result = match work {
        Ok(Ok((key, kept, anew))) => {
            done.key = Some(key);
            done.anew = anew;
            Ok(kept)
        }
        Ok(Err(failure)) => Err(failure),
        Err(_) => Err(Failure::new(
            format!(
                "{}: a fault of this program stopped the measurement",
                path.display()
            ),
            "please report it with the scan; the other scans are not concerned",
        )),
    };
    done
}

/// The scan's results, from the store or anew; true where anew.
fn measure(
    path: &Path,
    settings: &Settings,
    name: &Path,
    named: &Named,
) -> Result<(Key, Kept, bool), Failure> {
    let sha256 = digest(path).map_err(|e| {
        Failure::new(
            format!("{}: cannot be read: {e}", path.display()),
            "see that it may be read",
        )
    })?;
    let unit = settings.unit.map(|u| format!("{u:?}"));
    let key = Key::new(&sha256, name, unit.as_deref(), &settings.limits);
    if let Some(kept) = settings.store.get(&key) {
        return Ok((key, kept, false));
    }
    let scan = read_file(path, &settings.read)?;
    let command = Command {
        order: named.order.clone(),
        side: named.side,
        named: named.side,
        withdrawal: false,
    };
    let vetted = vetted(&scan, &command, &settings.limits);
    let model = vetted.page(&scan, &settings.limits);
    let thumbnail = report::picture::thumbnail(&model);
    settings
        .store
        .put(&key, &vetted.report, &page(&model), &thumbnail)
        .map_err(|e| Failure::new(e.to_string(), e.help()))?;
    let kept = settings.store.get(&key).ok_or_else(|| {
        let fact = format!(
            "{}: what was just written cannot be read back",
            path.display()
        );
        Failure::new(
            fact,
            "look at the folder's rights, or name another with `--out`",
        )
    })?;
    Ok((key, kept, true))
}

/// SHA-256 of a file, read in pieces.
fn digest(path: &Path) -> io::Result<String> {
    let mut file = BufReader::with_capacity(1 << 16, File::open(path)?);
    let (mut hash, mut piece) = (Sha256::new(), [0_u8; 1 << 14]);
    loop {
        match file.read(&mut piece)? {
            0 => break,
            n => hash.update(&piece[..n]),
        }
    }
    Ok(hash.finalize().iter().map(|b| format!("{b:02x}")).collect())
}

/// One line a scan: whole where it goes to a file, no wider than a terminal that it goes to.
fn line(done: &Done) -> String {
    let name = shown(&done.name.to_string_lossy());
    let (style, words, rest) = match &done.result {
        Err(failure) => {
            let style = report::outcome_style(Outcome::CannotTell);
            (style, "cannot read", why(&failure.fact, &name))
        }
        Ok(kept) => (
            report::verdict_style(kept.report.verdict),
            kept.report.verdict.words(),
            rest(&kept.report),
        ),
    };
    let tail = match super::terminal::width() {
        None => format!("{name:<28} {rest}"),
        Some(wide) => {
            let room = wide.clamp(40, 240).saturating_sub(20);
            let name = cut(&name, room.min(34));
            cut(&format!("{name:<28} {rest}"), room)
        }
    };
    let text = format!("{style}{words:<19}{style:#} {tail}");
    format!("{}\n", text.trim_end())
}

/// The fact without the path in front of it: the name stands at the beginning of the line.
fn why(fact: &str, name: &str) -> String {
    let shown_fact = shown(fact);
    match shown_fact.split_once(&format!("{name}: ")) {
        Some((_, why)) => why.to_owned(),
        None => shown_fact,
    }
}

fn cut(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let kept: String = text.chars().take(most.saturating_sub(1)).collect();
    format!("{kept}\u{2026}")
}

fn rest(report: &Report) -> String {
    let side = match report.side.value {
        SideWord::Left => "left ",
        SideWord::Right => "right",
        SideWord::Unknown => "?    ",
    };
    let canal = report.canal.as_ref().map_or_else(
        || "no canal".to_owned(),
        |c| format!("{:4.1} mm", c.length_mm.value.0),
    );
    let wrong: Vec<&str> = report
        .checks
        .iter()
        .filter(|c| c.outcome != Outcome::Holds && c.because.is_none())
        // What nothing hangs on is on the page.
        .filter(|c| c.weighs != Verdict::Design)
        .map(|c| c.id.as_str())
        .collect();
    format!("{side} {canal}  {}", wrong.join(" "))
}

fn side_of(done: &Done) -> Option<Side> {
    let told = done.result.as_ref().ok().map(|k| k.report.side.value);
    match told {
        Some(SideWord::Left) => Some(Side::Left),
        Some(SideWord::Right) => Some(Side::Right),
        _ => done.named.side,
    }
}

fn ear(done: &Done) -> Ear {
    let canal = done.result.as_ref().ok().map(|k| k.report.canal.as_ref());
    Ear {
        order: done.named.order.clone(),
        side: side_of(done),
        length_mm: canal.flatten().map(|c| c.length_mm.value.0),
    }
}

/// The lists, in the order given.
fn write_lists(settings: &Settings, all: &[&Done]) -> Result<(), Failure> {
    let ears: Vec<Ear> = all.iter().map(|d| ear(d)).collect();
    let pairs = pair_words(&ears);
    let names: Vec<String> = all
        .iter()
        .map(|d| d.name.to_string_lossy().into_owned())
        .collect();
    let paths: Vec<String> = all
        .iter()
        .map(|d| d.path.to_string_lossy().into_owned())
        .collect();
    let rows: Vec<IndexRow> = all
        .iter()
        .zip(&pairs)
        .zip(&names)
        .map(|((d, pair), name)| IndexRow {
            name,
            order: d.named.order.as_deref(),
            pair,
            result: match &d.result {
                Ok(k) => Ok((&k.report, &k.page, &k.thumbnail)),
                Err(failure) => Err(&failure.fact),
            },
        })
        .collect();
    let folder = settings.folder.to_string_lossy();
    let html = index_page(&folder, settings.limits.from.as_deref(), &rows);
    let out = settings.store.folder();
    whole_file(&out.join("index.html"), |w| w.write_all(html.as_bytes()))?;
    let lines = all.iter().zip(&paths).map(|(d, path)| match &d.result {
        Ok(kept) => Line::Report(&kept.report),
        Err(failure) => Line::Unread {
            path,
            order: d.named.order.as_deref(),
            error: &failure.fact,
        },
    });
    let csv = report::csv(lines);
    whole_file(&out.join("intake.csv"), |w| w.write_all(csv.as_bytes()))?;
    whole_file(&out.join("intake.jsonl"), |w| {
        all.iter()
            .zip(&paths)
            .try_for_each(|(d, path)| write_line(w, settings, d, path))
    })?;
    Ok(())
}

/// A report at a time: the lines of a whole day are never in memory together.
fn write_line(w: &mut dyn Write, settings: &Settings, done: &Done, path: &str) -> io::Result<()> {
    let kept = done.key.as_ref().and_then(|key| settings.store.line(key));
    let line = match (&done.result, kept) {
        (Ok(_), Some(line)) => line,
        (result, _) => {
            let lost = Failure::new("its record is gone", "run the same command again");
            let failure = result.as_ref().err().unwrap_or(&lost);
            let order = done.named.order.as_deref();
            report::unread_line(path, order, &failure.fact, &failure.help)
                .map_err(io::Error::other)?
        }
    };
    w.write_all(line.as_bytes())
}

fn summary(settings: &Settings, all: &[Done]) -> String {
    let count = |v: Verdict| {
        all.iter()
            .filter(|d| d.result.as_ref().is_ok_and(|k| k.report.verdict == v))
            .count()
    };
    let unread = all.iter().filter(|d| d.result.is_err()).count();
    let anew = all.iter().filter(|d| d.anew).count();
    let mut each: Vec<String> = [
        Verdict::Design,
        Verdict::Repair,
        Verdict::Retake,
        Verdict::CannotTell,
    ]
    .into_iter()
    .filter(|&v| count(v) > 0)
    .map(|v| format!("{} {}", count(v), v.words()))
    .collect();
    if unread > 0 {
        each.push(format!("{unread} cannot read"));
    }
    format!(
        "\n{} scans: {}\n{anew} measured, {} known before\n{}\n",
        all.len(),
        each.join(", "),
        all.len() - unread - anew,
        shown(&settings.store.folder().join("index.html").to_string_lossy())
    )
}
