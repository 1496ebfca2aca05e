//! How large a scan is whatever its pose, and in which units that is the size of an ear
//! impression. Used only to decide whether an unsaid unit may be taken as mm; it never scales.

use crate::mesh::Point;

use super::Unit;

/// Least extent of an ear impression, mm. A bare canal cast is the smallest thing scanned: two
/// real ones have greatest distances of 25.5 and 32.3 mm (their box sides are 19.5 and 23.6 and
/// change with the pose). Too high: such casts are refused. Too low: at 6 and below, a size read
/// as mm would be an impression in cm as well.
const LEAST_MM: f64 = 20.0;

/// Greatest extent, mm. Full impressions are about 25–40 mm along their longest side (built from
/// published part sizes), corner to corner up to about 55. Too low: those fail. Too high: a
/// whole head scanned in cm (about 25) or a pinna crop passes for an impression.
const MOST_MM: f64 = 60.0;

/// Greatest extent of an impression scanned with its stand or plate, mm. Up to here millimetres
/// are still taken, with a note, since no other usual unit could be meant: 60 to 120 units would be
/// 0.06–0.12 mm as micrometres and half a metre or more as centimetres. Whether a canal as wide as
/// an ear's is on it is for a check to say.
const MOST_WITH_STAND_MM: f64 = 120.0;

/// Units that a mesh file may silently be in. Feet only ever come with their name (3MF).
const CANDIDATES: [Unit; 5] = [Unit::Mm, Unit::Cm, Unit::Inch, Unit::M, Unit::Um];

/// Greatest distance across the points, found by two hops (from the middle to the farthest
/// point, from there to the farthest again). A lower bound of the true greatest distance, never
/// under half of it, exact for most shapes; unlike a box side it does not change when the scan
/// is turned.
pub(crate) fn extent(points: &[Point]) -> f64 {
    let Some(first) = points.first() else {
        return 0.0;
    };
    let sum = points
        .iter()
        .fold(nalgebra::Vector3::zeros(), |s, p| s + (p - first));
    let middle = first + sum / points.len() as f64;
    let a = farthest(points, &middle);
    let b = farthest(points, &a);
    (b - a).norm()
}

fn farthest(points: &[Point], from: &Point) -> Point {
    let mut best = (*from, -1.0);
    for p in points {
        let d = (p - from).norm_squared();
        if d > best.1 {
            best = (*p, d);
        }
    }
    best.0
}

/// Is this extent, read in that unit, the size of an ear impression or a canal cast?
pub(super) fn plausible(extent: f64, unit: Unit) -> bool {
    (LEAST_MM..=MOST_MM).contains(&(extent * unit.in_mm()))
}

/// Is this extent, read as mm, more than an impression's but not more than one's on a stand?
pub(super) fn with_stand(extent: f64) -> bool {
    extent > MOST_MM && extent <= MOST_WITH_STAND_MM
}

/// Every unit in which the extent would be that of an ear impression.
pub(super) fn plausible_units(extent: f64) -> Vec<Unit> {
    let mut units = CANDIDATES.to_vec();
    units.retain(|&u| plausible(extent, u));
    units
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_35_mm_impression_in_every_unit() {
        for (size, unit) in [
            (35.0, Unit::Mm),
            (3.5, Unit::Cm),
            (1.378, Unit::Inch),
            (0.035, Unit::M),
            (35_000.0, Unit::Um),
        ] {
            assert_eq!(plausible_units(size), [unit], "{size}");
        }
        assert_eq!(plausible_units(2.2), [Unit::Cm, Unit::Inch]);
        assert!(plausible_units(400.0).is_empty());
    }

    #[test]
    fn extent_does_not_hang_on_pose_or_place() {
        let rod: Vec<Point> = (0..=20)
            .map(|i| Point::new(f64::from(i), 0.3 * f64::from(i % 2), 0.0))
            .collect();
        let turn = nalgebra::Rotation3::from_euler_angles(0.6, -0.9, 0.7);
        let moved: Vec<Point> = rod
            .iter()
            .map(|p| turn * p + nalgebra::Vector3::new(500.0, -80.0, 3.0))
            .collect();
        assert!((extent(&rod) - 20.0).abs() < 1e-12);
        assert!((extent(&moved) - 20.0).abs() < 1e-9);
        assert_eq!(extent(&[]), 0.0);
    }
}
