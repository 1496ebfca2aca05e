//! `secondbend intake`: a folder of scans in, one line each, an index with the pages it links, CSV
//! and JSON Lines out. A bad file is one line; what a stopped run had done is not done again.

mod lists;

use std::collections::HashSet;
use std::fs::File;
use std::io::{self, BufReader, Read};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use rayon::prelude::*;
use sha2::{Digest, Sha256};

use crate::canal::Side;
use crate::checks::{Outcome, Verdict};
use crate::intake::{
    Ear, Kept, Key, Named, Older, Same, SameBytes, Store, named, scans_in, side_by_side,
};
use crate::limits::Limits;
use crate::read::{ReadOptions, Unit, read_file, why_unread};
use crate::report::page::page;
use crate::report::{self, Command, HEADLINES, Report, SideWord, shown};

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
    /// Of the file's bytes, where they could be read.
    sha256: Option<String>,
    key: Option<Key>,
    result: Result<Kept, Failure>,
    anew: bool,
    /// Another file of the folder with the same bytes, by its name within the folder.
    same: Option<(String, Same)>,
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
    let mut bytes = SameBytes::default();
    for some in scans.chunks(AT_A_TIME * pool.current_num_threads().max(1)) {
        let before = all.len();
        let done: Vec<Done> =
            pool.install(|| some.par_iter().map(|path| one(path, &settings)).collect());
        all.extend(done);
        for i in before..all.len() {
            bytes.add(all[i].sha256.as_deref(), &all[i].named);
            all[i].same = twin(&bytes, &all, i);
        }
        if !args.quiet {
            progress.aside(|| all[before..].iter().try_for_each(|d| print(&line(d))))?;
        }
        progress.step(some.len());
        if stop.load(Ordering::Relaxed) && all.len() < scans.len() {
            drop(progress);
            return Err(Failure::new(
                format!("stopped: {} of {} scans are done", all.len(), scans.len()),
                "the same command goes on from there",
            ));
        }
    }
    drop(progress);
    // Now that all are there, the first of two tells it too.
    for i in 0..all.len() {
        all[i].same = twin(&bytes, &all, i);
    }
    let order = side_by_side(&all.iter().map(ear).collect::<Vec<_>>());
    let listed: Vec<&Done> = order.iter().filter_map(|&i| all.get(i)).collect();
    let gone = gone(&settings, &all);
    lists::write(&settings, &listed, &gone)?;
    if !args.quiet {
        print(&summary(&settings, &all, &gone))?;
    }
    Ok(all.iter().map(worst).max().unwrap_or(Ending::CannotTell))
}

/// What a scan makes of the exit code: one that stands for two is wrong for one of them, however good it is.
fn worst(done: &Done) -> Ending {
    let of_scan = match &done.result {
        Ok(kept) => ending(&kept.report),
        Err(_) => Ending::CannotTell,
    };
    match &done.same {
        Some((_, same)) if same.mixed_up() => of_scan.max(Ending::SomethingBreaks),
        _ => of_scan,
    }
}

/// Of the files taken so far the other one with the bytes of this.
fn twin(bytes: &SameBytes, all: &[Done], i: usize) -> Option<(String, Same)> {
    let (other, same) = bytes.twin(i)?;
    let name = all.get(other)?.name.to_string_lossy().into_owned();
    Some((name, same))
}

/// Results of scans that are no longer in the folder. Nothing of them is deleted.
fn gone(settings: &Settings, all: &[Done]) -> Vec<Older> {
    let keys: Vec<&Key> = all.iter().filter_map(|d| d.key.as_ref()).collect();
    let names: HashSet<&Path> = all.iter().map(|d| d.name.as_path()).collect();
    let mut older = settings.store.older(&keys);
    older.retain(|old| match old.path.strip_prefix(&settings.folder) {
        Ok(name) => !names.contains(name),
        // The folder was typed otherwise then.
        Err(_) => !names.iter().any(|name| old.path.ends_with(name)),
    });
    older
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
        sha256: None,
        key: None,
        result: Err(Failure::new("", "")),
        anew: false,
        same: None,
    };
    match digest(path) {
        Ok(sha256) => done.sha256 = Some(sha256),
        Err(e) => {
            let fact = format!("{}: {}", path.display(), why_unread(&e));
            done.result = Err(Failure::new(fact, "see that it may be read"));
            return done;
        }
    }
    let sha256 = done.sha256.as_deref().unwrap_or_default();
    // No input should panic; should one do so all the same, the other scans still go on.
    let work = catch_unwind(AssertUnwindSafe(|| {
        measure(path, sha256, settings, &done.name, &done.named)
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
    sha256: &str,
    settings: &Settings,
    name: &Path,
    named: &Named,
) -> Result<(Key, Kept, bool), Failure> {
    let unit = settings.unit.map(|u| format!("{u:?}"));
    let key = Key::new(sha256, name, unit.as_deref(), &settings.limits);
    if let Some(kept) = settings.store.get(&key) {
        return Ok((key, kept, false));
    }
    let scan = read_file(path, &settings.read)?;
    let command = Command {
        order: named.order.clone(),
        side: named.side,
        side_by_name: true,
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
        Ok(kept) => {
            let (outcome, words) = kept.report.headline();
            (report::outcome_style(outcome), words, rest(&kept.report))
        }
    };
    let rest = match &done.same {
        Some((other, same)) => {
            format!("same content as {}{}; {rest}", shown(other), same.words())
        }
        None => rest,
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
        sha256: done.sha256.clone(),
    }
}

fn summary(settings: &Settings, all: &[Done], gone: &[Older]) -> String {
    let count = |words: &str| {
        let these = all.iter().filter_map(|d| d.result.as_ref().ok());
        these.filter(|k| k.report.headline().1 == words).count()
    };
    let unread = all.iter().filter(|d| d.result.is_err()).count();
    let anew = all.iter().filter(|d| d.anew).count();
    let mut each: Vec<String> = HEADLINES
        .into_iter()
        .filter(|words| count(words) > 0)
        .map(|words| format!("{} {words}", count(words)))
        .collect();
    if unread > 0 {
        each.push(format!("{unread} cannot read"));
    }
    format!(
        "\n{} scans: {}\n{anew} measured, {} known before\n{}{}{}\n",
        all.len(),
        each.join("; "),
        all.len() - unread - anew,
        mixed_up(all),
        no_longer(gone),
        shown(&settings.store.folder().join("index.html").to_string_lossy())
    )
}

/// A line for each two files that stand for two orders or ears: a terminal's width may have cut it off
/// above.
fn mixed_up(all: &[Done]) -> String {
    let mut told = HashSet::new();
    let mut out = String::new();
    for done in all {
        let Some((other, same)) = done.same.as_ref().filter(|s| s.1.mixed_up()) else {
            continue;
        };
        let mut two = [done.name.to_string_lossy().into_owned(), other.clone()];
        two.sort();
        let [a, b] = [shown(&two[0]), shown(&two[1])];
        if told.insert(two) {
            out += &format!("same content: {a} and {b}{}\n", same.words());
        }
    }
    out
}

fn no_longer(gone: &[Older]) -> String {
    let each = gone.iter().map(|old| {
        let path = shown(&old.path.to_string_lossy());
        format!("no longer in the folder, its page kept: {path}\n")
    });
    each.collect()
}
