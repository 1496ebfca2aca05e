//! Published areas of ear canals, drawn behind a scan's own for comparison. They are no limit: ages,
//! ways of measuring and the place called "entrance" differ by more than many ears do.

use super::model::{Dot, Spread};

/// Distance inward (mm), number of ears, mean and standard deviation of the area (mm²): ten right
/// ears in magnetic resonance, lying; computed from the example data of Wulbusch, Roden, Chernov,
/// Blau 2023 (IHA database of human geometries: Roden, Blau 2020). Zero is the data's own origin,
/// where the concha's flare ends. Rows of fewer than six ears are left out.
const RIGHT_EARS: &[(f64, u8, f64, f64)] = &[
    (-6.0, 7, 84.6, 23.1),
    (-4.0, 10, 77.6, 24.8),
    (-2.0, 10, 75.7, 34.5),
    (0.0, 10, 57.0, 19.2),
    (2.0, 10, 51.6, 23.1),
    (4.0, 10, 46.7, 12.2),
    (6.0, 10, 43.8, 10.2),
    (8.0, 10, 42.7, 8.2),
    (10.0, 10, 41.4, 7.4),
    (12.0, 10, 39.3, 7.6),
    (14.0, 10, 37.3, 7.6),
    (16.0, 10, 35.1, 6.5),
    (18.0, 10, 31.4, 4.8),
    (20.0, 10, 26.0, 4.9),
    (22.0, 9, 23.4, 3.5),
    (24.0, 6, 21.9, 4.0),
];

/// Area and standard deviation (mm²) at the first bend and 12 mm inside the entrance, from casts of
/// 169 people: Voss, Horton, Fairbank, Xia, Tinglin, Girardin 2020, JASA 148(5):3042–3051.
const CASTS_FIRST_BEND: (f64, f64) = (63.4, 13.5);
const CASTS_AT_12: (f64, f64) = (61.6, 13.5);

/// What stands below the plot.
pub(super) const NOTE: &str = "Band: mean and two standard deviations either way of ten right ears \
    in magnetic resonance (example data of Wulbusch, Roden, Chernov, Blau 2023; IHA database, \
    Roden, Blau 2020), from where the flare of the concha ends. Bars: the same of silicone casts of \
    169 people (Voss et al. 2020, JASA 148(5):3042). For comparison, not limits.";

/// The band.
pub(super) fn spread() -> Spread {
    Spread {
        name: "ten ears, MRI".to_owned(),
        rows: RIGHT_EARS
            .iter()
            .map(|&(at, _, mean, sd)| [at, (mean - 2.0 * sd).max(0.0), mean, mean + 2.0 * sd])
            .collect(),
    }
}

/// The values of casts: at 12 mm, and at the first bend where the scan has one.
pub(super) fn dots(first_bend_mm: Option<f64>) -> Vec<Dot> {
    let dot = |name: &str, at: f64, (mean, sd): (f64, f64)| Dot {
        name: name.to_owned(),
        row: [at, mean - 2.0 * sd, mean, mean + 2.0 * sd],
    };
    let bend = first_bend_mm.map(|at| dot("169 casts, first bend", at, CASTS_FIRST_BEND));
    bend.into_iter()
        .chain([dot("169 casts, 12 mm inside", 12.0, CASTS_AT_12)])
        .collect()
}
