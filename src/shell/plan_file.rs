//! The plan file: plain TOML whose keys are those of [`Plan`]; what it does not name keeps its
//! default. Every fault is told with its line, and an unknown key with the nearest there is.
//!
//! ```
//! use secondbend::shell::{Past, Plan, parse_plan};
//! let text = "[cut]\npast = \"first-bend\"\nby_mm = 4.0\n";
//! let plan = parse_plan(text, "ear.toml".as_ref(), Plan::default()).unwrap();
//! assert_eq!(plan.cut.unwrap().past, Past::FirstBend);
//! ```

use std::path::{Path, PathBuf};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::mesh::{Point, Vector};
use crate::read::why_unread;

use super::plan::{Bores, Cut, Facing, FreePlane, Lid, Material, Past, Plan};
use super::wall::GivenBore;

/// A plan file is a page of text; more is a scan named by mistake.
const MOST_BYTES: u64 = 1 << 20;

/// Why a plan file was not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}: {}{what}", path.display(), line.map(|l| format!("line {l}: ")).unwrap_or_default())]
pub struct PlanError {
    /// The file.
    pub path: PathBuf,
    /// Line, from 1, where there is one.
    pub line: Option<usize>,
    /// The fault.
    pub what: String,
    help: String,
}

impl PlanError {
    /// What to do about it.
    #[must_use]
    pub fn help(&self) -> &str {
        &self.help
    }
}

/// Every key, with its table.
const KEYS: [&str; 28] = [
    "facet_mm",
    "finishing_stock_mm",
    "vent_mm",
    "cut.past",
    "cut.by_mm",
    "cut.round_mm",
    "faceplate.facing",
    "faceplate.height_mm",
    "faceplate.raise_mm",
    "faceplate.tilt_up_deg",
    "faceplate.tilt_forward_deg",
    "faceplate.lid",
    "faceplate.thickness_mm",
    "build_up.tip_mm",
    "build_up.past_second_bend_mm",
    "build_up.between_bends_mm",
    "build_up.seal_zone_mm",
    "build_up.concha_mm",
    "build_up.cymba_mm",
    "wall.body_mm",
    "wall.canal_mm",
    "wall.canal",
    "wall.joint_at_mm",
    "wall.solid_tip_mm",
    "bores.count",
    "bores.diameter_mm",
    "bores.web_mm",
    "bores.wall_mm",
];

/// Thickness of a closed faceplate that names none, mm (common practice, no source).
pub(crate) const LID_MM: f64 = 1.0;

/// Reads a plan file over `base`.
///
/// # Errors
/// [`PlanError`] with path, line and a next step.
pub fn read_plan(path: &Path, base: Plan) -> Result<Plan, PlanError> {
    let fault = |what: String, help: &str| PlanError {
        path: path.to_path_buf(),
        line: None,
        what,
        help: help.to_owned(),
    };
    let unreadable = |e: std::io::Error| fault(why_unread(&e), "check the path");
    let meta = std::fs::metadata(path).map_err(unreadable)?;
    if !meta.is_file() || meta.len() > MOST_BYTES {
        return Err(fault(
            "is no plan file (not a plain file, or over 1 MiB)".to_owned(),
            "name a TOML file; `docs/shell.md` shows one",
        ));
    }
    let bytes = std::fs::read(path).map_err(unreadable)?;
    let text = String::from_utf8(bytes).map_err(|e| {
        fault(
            format!("byte {} is not UTF-8", e.utf8_error().valid_up_to()),
            "save the file as UTF-8 text",
        )
    })?;
    parse_plan(&text, path, base)
}

/// Reads the text of a plan file over `base`; `path` is only named in errors.
///
/// # Errors
/// [`PlanError`] with path, line and a next step.
pub fn parse_plan(text: &str, path: &Path, base: Plan) -> Result<Plan, PlanError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut reader = Reader {
        text,
        path,
        plan: base,
        lid: None,
        thickness: None,
    };
    let root = DeTable::parse(text).map_err(|e| {
        let at = e.span().map_or(0, |s| s.start);
        let first = e.message().lines().next().unwrap_or("cannot be parsed");
        reader.fault(at, format!("not valid TOML: {first}"), "mend that line")
    })?;
    reader.root(root.get_ref())?;
    reader.finish()
}

struct Reader<'t> {
    text: &'t str,
    path: &'t Path,
    plan: Plan,
    lid: Option<bool>,
    thickness: Option<f64>,
}

type Read<T> = Result<T, PlanError>;

impl Reader<'_> {
    fn fault(&self, offset: usize, what: String, help: &str) -> PlanError {
        let before = self.text.get(..offset).unwrap_or(self.text);
        PlanError {
            path: self.path.to_path_buf(),
            line: Some(before.matches('\n').count() + 1),
            what,
            help: help.to_owned(),
        }
    }

    fn root(&mut self, root: &DeTable<'_>) -> Read<()> {
        for (name, value) in root {
            let table = name.get_ref().as_ref();
            match (table, value.get_ref()) {
                ("bore", DeValue::Array(all)) => {
                    let bores = root.get("bores").map(Spanned::get_ref);
                    if matches!(bores, Some(DeValue::Table(t)) if t.get("count").is_some()) {
                        let what = "[[bore]] and `bores.count` are both given".to_owned();
                        return Err(self.fault(name.span().start, what, "keep one of the two"));
                    }
                    let bores = self.each(all, Self::bore)?;
                    self.plan.bores = Bores::Given(bores);
                }
                ("plane", DeValue::Array(all)) => {
                    self.plan.planes = self.each(all, Self::plane)?;
                }
                (_, DeValue::Table(inner)) => {
                    for (key, value) in inner {
                        let key_at = key.span().start;
                        self.entry(&format!("{table}.{}", key.get_ref()), key_at, value)?;
                    }
                }
                _ => self.entry(table, name.span().start, value)?,
            }
        }
        Ok(())
    }

    fn each<T>(
        &self,
        all: &[Spanned<DeValue<'_>>],
        one: fn(&Self, &DeTable<'_>, usize) -> Read<T>,
    ) -> Read<Vec<T>> {
        all.iter()
            .map(|value| match value.get_ref() {
                DeValue::Table(table) => one(self, table, value.span().start),
                _ => Err(self.fault(
                    value.span().start,
                    "is no table".to_owned(),
                    "begin each with [[bore]] or [[plane]]",
                )),
            })
            .collect()
    }

    fn bore(&self, table: &DeTable<'_>, at: usize) -> Read<GivenBore> {
        let [from, to] = ["from_mm", "to_mm"].map(|key| self.triple(table, key, at));
        self.known(table, &["from_mm", "to_mm", "diameter_mm"], "a [[bore]]")?;
        let diameter = table.get("diameter_mm");
        let diameter_mm = diameter
            .map(|v| self.number("diameter_mm", v))
            .transpose()?;
        Ok(GivenBore {
            from: Point::from(from?),
            to: Point::from(to?),
            diameter_mm: diameter_mm.ok_or_else(|| self.lacks(at, "diameter_mm"))?,
        })
    }

    fn plane(&self, table: &DeTable<'_>, at: usize) -> Read<FreePlane> {
        self.known(table, &["point_mm", "outward"], "a [[plane]]")?;
        Ok(FreePlane {
            point: Point::from(self.triple(table, "point_mm", at)?),
            outward: self.triple(table, "outward", at)?,
        })
    }

    fn known(&self, table: &DeTable<'_>, keys: &[&str], what: &str) -> Read<()> {
        for key in table.keys() {
            if !keys.contains(&key.get_ref().as_ref()) {
                let says = format!("{what} has no key `{}`", key.get_ref());
                let help = format!("there is: {}", keys.join(", "));
                return Err(self.fault(key.span().start, says, &help));
            }
        }
        Ok(())
    }

    fn lacks(&self, at: usize, key: &str) -> PlanError {
        self.fault(at, format!("lacks `{key}`"), &format!("add {key} = …"))
    }

    fn triple(&self, table: &DeTable<'_>, key: &str, at: usize) -> Read<Vector> {
        let value = table.get(key).ok_or_else(|| self.lacks(at, key))?;
        self.vector(key, value)
    }

    fn vector(&self, key: &str, value: &Spanned<DeValue<'_>>) -> Read<Vector> {
        let three = match value.get_ref() {
            DeValue::Array(all) if all.len() == 3 => all,
            _ => return Err(self.wrong(key, value, "three numbers, [x, y, z]")),
        };
        let mut out = Vector::zeros();
        for (k, v) in three.iter().enumerate() {
            out[k] = self.number(key, v)?;
        }
        Ok(out)
    }

    fn wrong(&self, key: &str, value: &Spanned<DeValue<'_>>, wants: &str) -> PlanError {
        let help = format!("it takes {wants}");
        self.fault(
            value.span().start,
            format!("`{key}`: wrong kind of value"),
            &help,
        )
    }

    fn number(&self, key: &str, value: &Spanned<DeValue<'_>>) -> Read<f64> {
        let number = match value.get_ref() {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix())
                .ok()
                .map(|i| i as f64),
            DeValue::Float(x) => x.as_str().parse().ok(),
            _ => None,
        };
        let number = number.filter(|x: &f64| x.is_finite());
        number.ok_or_else(|| self.wrong(key, value, "a finite number"))
    }

    fn word<T: Copy>(&self, key: &str, value: &Spanned<DeValue<'_>>, of: &[(&str, T)]) -> Read<T> {
        let said = value.get_ref().as_str().unwrap_or_default();
        let found = of.iter().find(|(word, _)| *word == said);
        found.map(|(_, meant)| *meant).ok_or_else(|| {
            let words: Vec<String> = of.iter().map(|(w, _)| format!("\"{w}\"")).collect();
            self.wrong(key, value, &words.join(", "))
        })
    }

    fn entry(&mut self, key: &str, key_at: usize, value: &Spanned<DeValue<'_>>) -> Read<()> {
        if !KEYS.contains(&key) {
            let like = |k: &&&str| strsim::jaro_winkler(k, key);
            let nearest = KEYS.iter().max_by(|a, b| like(a).total_cmp(&like(b)));
            let help = format!("the nearest is `{}`", nearest.unwrap_or(&""));
            return Err(self.fault(key_at, format!("a plan has no key `{key}`"), &help));
        }
        self.put(key, value)?;
        let checked = self.plan.check();
        checked.map_err(|e| self.fault(value.span().start, e.to_string(), "mend that figure"))
    }

    fn put(&mut self, key: &str, value: &Spanned<DeValue<'_>>) -> Read<()> {
        match key {
            "cut.past" => return self.cut_past(value),
            "faceplate.lid" => {
                self.lid = Some(self.word(key, value, &[("open", false), ("closed", true)])?);
                return Ok(());
            }
            "faceplate.facing" => {
                self.plan.faceplate.facing = self.facing(value)?;
                return Ok(());
            }
            "wall.canal" => {
                let words = [("hard", Material::Hard), ("soft", Material::Soft)];
                self.plan.walls.canal = self.word(key, value, &words)?;
                return Ok(());
            }
            _ => {}
        }
        let x = self.number(key, value)?;
        if key == "bores.count" && (x < 0.0 || x.fract() != 0.0) {
            return Err(self.wrong(key, value, "a whole number"));
        }
        self.put_number(key, x);
        Ok(())
    }

    fn put_number(&mut self, key: &str, x: f64) {
        let plan = &mut self.plan;
        let usual = Plan::default().cut;
        match key {
            "facet_mm" => plan.facet_mm = x,
            "finishing_stock_mm" => plan.finishing_stock_mm = x,
            "vent_mm" => plan.vent_mm = Some(x),
            "cut.by_mm" => plan.cut = plan.cut.or(usual).map(|c| Cut { by_mm: x, ..c }),
            "cut.round_mm" => plan.cut = plan.cut.or(usual).map(|c| Cut { round_mm: x, ..c }),
            "faceplate.height_mm" => plan.faceplate.height_mm = Some(x),
            "faceplate.raise_mm" => plan.faceplate.raise_mm = x,
            "faceplate.tilt_up_deg" => plan.faceplate.tilt_up_deg = x,
            "faceplate.tilt_forward_deg" => plan.faceplate.tilt_forward_deg = x,
            "faceplate.thickness_mm" => self.thickness = Some(x),
            "build_up.tip_mm" => plan.build_up.tip_mm = x,
            "build_up.past_second_bend_mm" => plan.build_up.past_second_bend_mm = x,
            "build_up.between_bends_mm" => plan.build_up.between_bends_mm = x,
            "build_up.seal_zone_mm" => plan.build_up.seal_zone_mm = x,
            "build_up.concha_mm" => plan.build_up.concha_mm = x,
            "build_up.cymba_mm" => plan.build_up.cymba_mm = x,
            "wall.body_mm" => plan.walls.body_mm = x,
            "wall.canal_mm" => plan.walls.canal_mm = x,
            "wall.joint_at_mm" => plan.walls.joint_at_mm = x,
            "wall.solid_tip_mm" => plan.walls.solid_tip_mm = x,
            "bores.web_mm" => plan.web_mm = x,
            "bores.wall_mm" => plan.bore_wall_mm = x,
            "bores.count" | "bores.diameter_mm" => {
                let (mut n, mut d) = match plan.bores {
                    Bores::Count { count, diameter_mm } => (count, diameter_mm),
                    Bores::Given(_) => return,
                };
                if key == "bores.count" {
                    n = x as usize;
                } else {
                    d = x;
                }
                plan.bores = Bores::Count {
                    count: n,
                    diameter_mm: d,
                };
            }
            _ => {}
        }
    }

    fn cut_past(&mut self, value: &Spanned<DeValue<'_>>) -> Read<()> {
        let words = [
            ("aperture", Some(Past::Aperture)),
            ("first-bend", Some(Past::FirstBend)),
            ("second-bend", Some(Past::SecondBend)),
            ("none", None),
        ];
        let past = self.word("cut.past", value, &words)?;
        let cut = self.plan.cut.or(Plan::default().cut);
        self.plan.cut = past.and_then(|past| cut.map(|c| Cut { past, ..c }));
        Ok(())
    }

    fn facing(&self, value: &Spanned<DeValue<'_>>) -> Read<Facing> {
        if value.get_ref().as_str().is_some() {
            let words = [("found", Facing::Found), ("axis", Facing::Axis)];
            return self.word("faceplate.facing", value, &words);
        }
        Ok(Facing::Given(self.vector("faceplate.facing", value)?))
    }

    fn finish(mut self) -> Read<Plan> {
        let plate = &mut self.plan.faceplate;
        let usual = match plate.lid {
            Lid::Closed { thickness_mm } => thickness_mm,
            Lid::Open => LID_MM,
        };
        plate.lid = match (self.lid, self.thickness) {
            (Some(false), _) => Lid::Open,
            (Some(true), thickness) => Lid::Closed {
                thickness_mm: thickness.unwrap_or(usual),
            },
            (None, Some(thickness_mm)) => Lid::Closed { thickness_mm },
            (None, None) => plate.lid,
        };
        if let Err(e) = self.plan.check() {
            return Err(PlanError {
                path: self.path.to_path_buf(),
                line: None,
                what: e.to_string(),
                help: "mend that figure".to_owned(),
            });
        }
        Ok(self.plan)
    }
}
