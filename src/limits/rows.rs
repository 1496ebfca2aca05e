//! The table of limits. A row says what the limit means, in which unit, what it may be, and on
//! what its default rests: a published source with the value it gives, or "common practice".
//!
//! Everything that is said about limits (`secondbend limits`, `docs/limits.md`, the TOML to
//! start from, messages about a wrong file) is printed from here.

use super::{Fault, Setting};

/// What a limit may be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// A finite number from `least` to `most`.
    Number {
        /// Taken where no file says otherwise.
        default: f64,
        /// Smallest value that makes sense.
        least: f64,
        /// Largest value that makes sense.
        most: f64,
    },
    /// A whole number from `least` to `most`.
    Count {
        /// Taken where no file says otherwise.
        default: u32,
        /// Smallest value that makes sense.
        least: u32,
        /// Largest value that makes sense.
        most: u32,
    },
    /// One word of a few.
    Word {
        /// Taken where no file says otherwise.
        default: &'static str,
        /// The words allowed.
        of: &'static [&'static str],
    },
}

/// One limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// Its name in the TOML, table and key: `canal.past_first_bend_mm`.
    pub key: &'static str,
    /// Its unit as printed; empty for counts and words.
    pub unit: &'static str,
    /// Its kind, default and range.
    pub kind: Kind,
    /// What it means, in one or two sentences.
    pub means: &'static str,
    /// What the default rests on.
    pub source: &'static str,
}

const NO_SOURCE: &str = "common practice, no source";

macro_rules! rows {
    ($($(#[$doc:meta])* $name:ident = $row:expr;)*) => {
        $($(#[$doc])* pub static $name: Row = $row;)*
        /// Every limit, in the order in which they are printed.
        pub static ROWS: &[&Row] = &[$(&$name),*];
    };
}

const fn number(default: f64, least: f64, most: f64) -> Kind {
    Kind::Number {
        default,
        least,
        most,
    }
}

const fn count(default: u32, least: u32, most: u32) -> Kind {
    Kind::Count {
        default,
        least,
        most,
    }
}

rows! {
    /// Least size of the scan.
    SIZE_LEAST = Row {
        key: "scan.size_least_mm", unit: "mm", kind: number(20.0, 1.0, 1000.0),
        means: "The impression must be at least this across (greatest distance, whatever the pose), or its unit of length is doubted.",
        source: "our reading: a full impression is about 25-35 x 18-30 x 25-40 mm by concha sizes of HUTUBS (Brinkmann et al. 2019); a bare canal cast is over 20 mm",
    };
    /// Greatest size of the scan.
    SIZE_MOST = Row {
        key: "scan.size_most_mm", unit: "mm", kind: number(60.0, 1.0, 1000.0),
        means: "The impression must be at most this across (greatest distance, whatever the pose), or its unit of length is doubted.",
        source: "our reading: a full impression is about 25-35 x 18-30 x 25-40 mm by concha sizes of HUTUBS (Brinkmann et al. 2019)",
    };
    /// The same where something stands beside the impression.
    SIZE_WITH_STAND = Row {
        key: "scan.size_with_stand_mm", unit: "mm", kind: number(120.0, 1.0, 1000.0),
        means: "Up to this the greatest distance may be that of an impression with its stand or plate, if a canal as wide as an ear's was found on it.",
        source: "common practice, no source; ten times an ear, as a wrong unit makes it, is 200 mm and more",
    };
    /// How solid an impression is.
    THICKNESS_LEAST = Row {
        key: "scan.thickness_least_mm", unit: "mm", kind: number(2.0, 0.0, 20.0),
        means: "An impression's closed surface must hold at least this, as twice its volume over its area, or it is doubted that it is one.",
        source: "measured, no source: 4 to 5.5 on closed sample impressions, 1.0 on shells with walls of 1 mm, 1.5 with 1.5, 2.0 with 2; a bare canal cast of 2.5 mm radius and 20 mm length 2.2",
    };
    /// Largest scan noise.
    NOISE = Row {
        key: "scan.noise_mm", unit: "mm", kind: number(0.15, 0.0, 5.0),
        means: "Scan noise (standard deviation, square to the surface) must be at most this.",
        source: "our judgment (0.05 good, 0.15 acceptable, over 0.3 doubtful) from scanner tests: 11-50 micrometre on dental objects (2023, PMC10812911), 39 +/- 139 and 125 +/- 113 micrometre on faces (J Prosthet Dent 2021;126:110)",
    };
    /// Largest median edge.
    EDGE = Row {
        key: "scan.edge_mm", unit: "mm", kind: number(1.0, 0.01, 5.0),
        means: "The median edge of the facets must be at most this, or bends and sections blur.",
        source: "common practice, no source (usual edges are 0.1-0.4 mm)",
    };
    /// What the base should be.
    BASE = Row {
        key: "scan.base", unit: "", kind: Kind::Word { default: "any", of: &["any", "open", "closed"] },
        means: "How a scan's outer face should end: `open` (where scanning stopped), `closed` (capped), or `any` of the two.",
        source: NO_SOURCE,
    };
    /// Length past the first bend.
    PAST_FIRST_BEND = Row {
        key: "canal.past_first_bend_mm", unit: "mm", kind: number(6.0, 0.0, 40.0),
        means: "The canal must go on past the first bend (curvature peak to tip) by at least this; under it the cast is too short for a monitor.",
        source: "common practice, no source (a general health text asks 10-12 mm for deep pieces)",
    };
    /// Length past the second bend.
    PAST_SECOND_BEND = Row {
        key: "canal.past_second_bend_mm", unit: "mm", kind: number(2.0, 0.0, 20.0),
        means: "The canal must go on past the second bend (curvature peak to tip) by at least this; under it the impression is taken again.",
        source: "common practice, no source, between the least (the beginning of the second bend, 0) and the good (5-7 mm past it) of one earmould laboratory's published guidance",
    };
    /// How far past the first bend the second shows at the latest.
    BETWEEN_BENDS = Row {
        key: "canal.between_bends_most_mm", unit: "mm", kind: number(11.0, 1.0, 40.0),
        means: "A canal that shows no second bend and ends within this past the first (or within this altogether) is too short to show it.",
        source: "from memory: 7-11 mm lie between the bends; that an impression must at least show the beginning of the second bend is one earmould laboratory's published guidance",
    };
    /// Length past the second bend that is called good.
    PAST_SECOND_BEND_GOOD = Row {
        key: "canal.past_second_bend_good_mm", unit: "mm", kind: number(5.0, 0.0, 20.0),
        means: "Past the second bend this much is good. Less still holds while `canal.past_second_bend_mm` is met, but the report says so.",
        source: "published guidance of an earmould laboratory, not named: 5-7 mm beyond the second bend",
    };
    /// Hole in the seal zone that is filled rather than refused.
    SEAL_HOLE = Row {
        key: "holes.seal_zone_fill_mm", unit: "mm", kind: number(1.0, 0.0, 10.0),
        means: "A hole in the seal zone is always a fault. Up to this span it may be filled; over it the impression is scanned or taken again.",
        source: "common practice, no source (voids of 1-2 mm are filled)",
    };
    /// Hole elsewhere.
    HOLE = Row {
        key: "holes.span_mm", unit: "mm", kind: number(3.0, 0.0, 30.0),
        means: "A hole outside the seal zone may be filled in passing up to this span; over it, it has to be looked at.",
        source: "common practice, no source",
    };
    /// Number of loose parts allowed.
    LOOSE_PARTS = Row {
        key: "surface.loose_parts", unit: "", kind: count(0, 0, 1_000_000),
        means: "So many loose parts (pieces of surface that hang on nothing) are let pass.",
        source: NO_SOURCE,
    };
    /// Number of fin edges allowed.
    FINS = Row {
        key: "surface.fins", unit: "", kind: count(0, 0, 1_000_000),
        means: "So many edges with more than two facets are let pass.",
        source: NO_SOURCE,
    };
    /// Number of crossing pairs allowed.
    CROSSINGS = Row {
        key: "surface.crossings", unit: "", kind: count(0, 0, 1_000_000),
        means: "So many pairs of facets that cross each other are let pass.",
        source: NO_SOURCE,
    };
    /// Number of inside-out facets allowed.
    TURNED = Row {
        key: "surface.turned_facets", unit: "", kind: count(0, 0, 100_000_000),
        means: "So many facets that face inward are let pass.",
        source: NO_SOURCE,
    };
    /// Length of a feather.
    FEATHER = Row {
        key: "tip.feather_mm", unit: "mm", kind: number(1.5, 0.0, 20.0),
        means: "Thin material past the last full section is trimmed in passing up to this length; over it, it has to be trimmed and the canal measured again.",
        source: "common practice, no source (1-2 mm of length)",
    };
    /// Depth of a pit.
    PIT_DEPTH = Row {
        key: "pits.depth_mm", unit: "mm", kind: number(0.5, 0.0, 10.0),
        means: "A pit in the canal wall (bubble, fold) must be no deeper than this.",
        source: "common practice, no source",
    };
    /// Width of a pit that is filled rather than refused.
    PIT_FILL = Row {
        key: "pits.fill_mm", unit: "mm", kind: number(2.0, 0.0, 20.0),
        means: "A pit that is too deep may be filled up to this width, outside the seal zone; wider, or in the seal zone, the impression is taken again.",
        source: "common practice, no source (1-2 mm across)",
    };
    /// How many bores.
    BORES = Row {
        key: "bores.count", unit: "", kind: count(2, 1, 6),
        means: "So many sound bores of equal size are to run through the canal.",
        source: NO_SOURCE,
    };
    /// Bore diameter.
    BORE_DIAMETER = Row {
        key: "bores.diameter_mm", unit: "mm", kind: number(1.5, 0.2, 6.0),
        means: "Diameter of each sound bore.",
        source: "common practice, no source (1.5-2.0 for two bores, 1.0-1.4 for three or more)",
    };
    /// Web.
    BORE_WEB = Row {
        key: "bores.web_mm", unit: "mm", kind: number(0.5, 0.0, 5.0),
        means: "Least material between two bores.",
        source: NO_SOURCE,
    };
    /// Wall outside the bores.
    BORE_WALL = Row {
        key: "bores.wall_mm", unit: "mm", kind: number(0.6, 0.0, 5.0),
        means: "Least material between a bore and the outside of the canal.",
        source: NO_SOURCE,
    };
    /// Wall of the hard body.
    WALL_BODY = Row {
        key: "wall.body_mm", unit: "mm", kind: number(0.6, 0.0, 10.0),
        means: "Least wall of the hard body after polishing (inscribed ball less the finishing stock).",
        source: "from memory: printed acrylic monitor shells 0.8-1.0, floor 0.6; general resin guides ask 0.4 where supported, 1.0 better (addema.se, layerx3d.in)",
    };
    /// Wall of a hard canal.
    WALL_CANAL = Row {
        key: "wall.canal_mm", unit: "mm", kind: number(0.6, 0.0, 10.0),
        means: "Least wall of a hard canal after polishing, where the canal can be told.",
        source: "common practice, no source (canal 0.6-0.8)",
    };
    /// Wall of a soft canal.
    WALL_SOFT_CANAL = Row {
        key: "wall.soft_canal_mm", unit: "mm", kind: number(1.0, 0.0, 10.0),
        means: "Least wall of a soft canal, where `wall.canal_material` is `soft` and the canal can be told.",
        source: "common practice, no source (soft silicone 1.0-2.0, usually solid)",
    };
    /// What the canal is made of.
    CANAL_MATERIAL = Row {
        key: "wall.canal_material", unit: "", kind: Kind::Word { default: "hard", of: &["hard", "soft"] },
        means: "What the canal is made of: `hard` like the body, or `soft`.",
        source: NO_SOURCE,
    };
    /// Wall that stands free.
    WALL_FREE = Row {
        key: "wall.free_mm", unit: "mm", kind: number(0.6, 0.0, 10.0),
        means: "Least wall as printed where it stands free (lips, fins).",
        source: "general resin guides: unsupported wall 0.6 at least, 1.5 better (addema.se, layerx3d.in)",
    };
    /// Sharpest rim at the faceplate.
    RIM_LEAST = Row {
        key: "wall.rim_least_deg", unit: "deg", kind: number(60.0, 1.0, 90.0),
        means: "Least angle inside the material between the outer surface and the faceplate's plane, where a made shell meets it (90 is square).",
        source: "our choice, no source: in a wedge under 60 deg the wall measure finds thin walls that no plan for the wall mends",
    };
    /// Least size of a shell.
    SHELL_SIZE_LEAST = Row {
        key: "wall.shell_size_least_mm", unit: "mm", kind: number(8.0, 0.1, 1000.0),
        means: "A shell must be at least this across (greatest distance), or its unit of length is doubted.",
        source: "our reading: the shortest canal pieces are about 10 mm long; an impression is 25-40 mm by concha sizes of HUTUBS (Brinkmann et al. 2019)",
    };
    /// Greatest size of a shell.
    SHELL_SIZE_MOST = Row {
        key: "wall.shell_size_most_mm", unit: "mm", kind: number(60.0, 1.0, 1000.0),
        means: "A shell must be at most this across (greatest distance), or its unit of length is doubted.",
        source: "our reading, as `scan.size_most_mm`",
    };
    /// Greatest middle wall of a shell.
    SHELL_WALL_MOST = Row {
        key: "wall.shell_wall_most_mm", unit: "mm", kind: number(4.0, 0.5, 50.0),
        means: "The median wall of a shell must be at most this, or it is doubted whether a shell was measured.",
        source: "common practice, no source (poured and printed walls 0.6-1.2, soft ones 1-2)",
    };
    /// Finishing stock.
    WALL_STOCK = Row {
        key: "wall.finishing_stock_mm", unit: "mm", kind: number(0.1, 0.0, 2.0),
        means: "What sanding and polishing take off the outer surface; taken off the measured wall.",
        source: "common practice, no source (0.05-0.2 a surface)",
    };
    /// Least hole.
    HOLE_LEAST = Row {
        key: "wall.hole_mm", unit: "mm", kind: number(0.5, 0.0, 10.0),
        means: "Least width of a bore or vent that stays open in print.",
        source: "general resin guides: 0.5 at least, 1.0 better (addema.se, layerx3d.in)",
    };
    /// What holes print smaller by.
    HOLE_SHRINK = Row {
        key: "wall.hole_shrink_mm", unit: "mm", kind: number(0.15, 0.0, 1.0),
        means: "What bores and vents print smaller by, on the diameter; taken off the planned one.",
        source: "general resin guide: 0.1-0.2 on the diameter (layerx3d.in)",
    };
    /// Shrinkage of the print.
    SHRINK = Row {
        key: "wall.shrink_percent", unit: "%", kind: number(0.57, 0.0, 10.0),
        means: "Linear shrinkage of the print: a wall is told with it taken off, and that of a shell made here is judged so. Meshes are written without an allowance.",
        source: "one printed cube of 35 mm came out as 34.8 (J. Mrazek 2022)",
    };
    /// Longest solid end of a canal.
    CANAL_SOLID = Row {
        key: "wall.canal_solid_mm", unit: "mm", kind: number(10.0, 0.0, 40.0),
        means: "The canal of a shell may be solid but for its bores over at most this before its end.",
        source: "our reading: acoustic paths in monitors are 10 mm long or less (M. Chasin 2017)",
    };
    /// Undercut that the ear gives.
    UNDERCUT = Row {
        key: "undercut.depth_mm", unit: "mm", kind: number(0.5, 0.0, 10.0),
        means: "The ear is taken to give this much sideways: an undercut, or the squeeze of a way out, may be at most this.",
        source: "common practice, no source (0.5-1.0 in the soft canal and concha, 0 in the bony part)",
    };
    /// Smallest area at the first bend.
    AREA_LEAST = Row {
        key: "figures.first_bend_area_least_mm2", unit: "mm2", kind: number(30.0, 1.0, 500.0),
        means: "A section at the first bend under this is doubted: perhaps not a canal, or not in this unit.",
        source: "Voss et al. 2020, JASA 148:3042: 63.4 mm2, sd 13.5, casts of 169 people (36-90 is 2 sd; widened by us)",
    };
    /// Largest area at the first bend.
    AREA_MOST = Row {
        key: "figures.first_bend_area_most_mm2", unit: "mm2", kind: number(110.0, 1.0, 1000.0),
        means: "A section at the first bend over this is doubted: perhaps not a canal, or not in this unit.",
        source: "Voss et al. 2020, JASA 148:3042: 63.4 mm2, sd 13.5, casts of 169 people (36-90 is 2 sd; widened by us)",
    };
    /// Longest canal.
    LENGTH_MOST = Row {
        key: "figures.canal_length_most_mm", unit: "mm", kind: number(40.0, 5.0, 200.0),
        means: "A canal longer than this from aperture to tip is doubted: no ear canal goes on so far.",
        source: "Balouch et al. 2023, Hearing Research: 31.4 mm, sd 3.1, entrance to eardrum, CT of 66 ears (40 is 2.8 sd over)",
    };
}

impl Row {
    /// The value where no file says otherwise.
    #[must_use]
    pub fn default(&self) -> Setting {
        match self.kind {
            Kind::Number { default, .. } => Setting::Number(default),
            Kind::Count { default, .. } => Setting::Count(default),
            Kind::Word { default, .. } => Setting::Word(default.to_owned()),
        }
    }

    /// `canal.past_first_bend_mm` → (`canal`, `past_first_bend_mm`).
    #[must_use]
    pub fn table_and_name(&self) -> (&'static str, &'static str) {
        self.key.split_once('.').unwrap_or(("", self.key))
    }

    /// The value if this row allows it; a whole number is a number too.
    pub(super) fn admit(&self, value: Setting) -> Result<Setting, Fault> {
        let wrong_kind = || Fault::WrongKind {
            wants: self.wants(),
        };
        match (self.kind, value) {
            (Kind::Number { least, most, .. }, Setting::Number(x)) => {
                self.in_range(x, least, most).map(Setting::Number)
            }
            (Kind::Number { least, most, .. }, Setting::Count(n)) => self
                .in_range(f64::from(n), least, most)
                .map(Setting::Number),
            (Kind::Count { least, most, .. }, Setting::Count(n)) => self
                .in_range(f64::from(n), f64::from(least), f64::from(most))
                .map(|_| Setting::Count(n)),
            (Kind::Word { of, .. }, Setting::Word(w)) if of.contains(&w.as_str()) => {
                Ok(Setting::Word(w))
            }
            _ => Err(wrong_kind()),
        }
    }

    fn in_range(&self, x: f64, least: f64, most: f64) -> Result<f64, Fault> {
        if !x.is_finite() {
            Err(Fault::NotFinite {
                wants: self.wants(),
            })
        } else if x < least || x > most {
            Err(Fault::OutOfRange {
                wants: self.wants(),
            })
        } else {
            Ok(x)
        }
    }

    /// What the row allows, in words: "a number from 0 to 40 (mm)".
    #[must_use]
    pub fn wants(&self) -> String {
        match self.kind {
            Kind::Number { least, most, .. } => {
                format!("a number from {least} to {most} ({})", self.unit)
            }
            Kind::Count { least, most, .. } => format!("a whole number from {least} to {most}"),
            Kind::Word { of, .. } => {
                let words: Vec<String> = of.iter().map(|w| format!("\"{w}\"")).collect();
                format!("one of {}", words.join(", "))
            }
        }
    }
}

/// The row with this key.
#[must_use]
pub fn find(key: &str) -> Option<&'static Row> {
    ROWS.iter().copied().find(|row| row.key == key)
}

/// The key most like `wrong`, by edit similarity, compared both whole and by its last part (a
/// right name in a wrong table is the commonest slip); `None` where nothing is like it.
#[must_use]
pub fn nearest_key(wrong: &str) -> Option<&'static str> {
    let name = wrong.rsplit('.').next().unwrap_or(wrong);
    let like = |row: &&'static Row| {
        let whole = strsim::jaro_winkler(row.key, wrong);
        let last = row.table_and_name().1;
        let part = strsim::normalized_damerau_levenshtein(last, name);
        // A word of the name alone: `noise` for `noise_mm`.
        let word = last.split('_').any(|word| word == name && word.len() > 2);
        whole.max(part).max(if word { 0.9 } else { 0.0 })
    };
    ROWS.iter()
        .map(|row| (like(row), row.key))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|&(likeness, _)| likeness > LIKE)
        .map(|(_, key)| key)
}

/// Names less alike than this are not offered as what was meant. At 0.6 `banana` is taken for a
/// limit; at 0.9 a name with two letters swapped and one missing is not.
pub(crate) const LIKE: f64 = 0.72;
