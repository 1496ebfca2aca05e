//! The answer as JSON and as lines of text.

use serde_json::{Map, Value, json};

use super::certificate::{Certificate, MarginKind};
use super::helps::Help;
use super::parts::Stack;
use super::verdict::{FitAnswer, Verdict};
use crate::mesh::{Mesh, Point, Vector};

/// The `fit` object of the report.
#[must_use]
pub fn fit_json(stack: &Stack, answer: &FitAnswer, helps: &[Help]) -> Value {
    let (parts, tubes) = answer
        .placement
        .as_ref()
        .map_or((json!([]), json!([])), super::Placement::to_json);
    let proof = match &answer.verdict {
        Verdict::CannotFit(p) => json!({
            "bound": p.bound.name(),
            "because": p.bound.because(),
            "need": p.need,
            "have": p.have,
            "unit": p.bound.unit(),
            "parts": names(stack, &p.parts),
        }),
        _ => Value::Null,
    };
    let blocker = answer.blocker.as_ref().map_or(Value::Null, |b| {
        json!({ "parts": names(stack, &b.parts), "against": against(b.kind), "short_mm": b.short.map(|s| s.0) })
    });
    let helps: Vec<Value> = helps
        .iter()
        .map(|h| {
            let value = h
                .value_mm
                .map(|v| json!(v.0))
                .or(h.part.as_ref().map(|p| json!(p)));
            json!({ "change": h.change, "value": value, "verdict": h.verdict.name() })
        })
        .collect();
    json!({
        "verdict": answer.verdict.name(),
        "stack": stack.name,
        "clearance_mm": stack.clearance_mm,
        "wall_clearance_mm": stack.wall_clearance_mm,
        "parts": parts,
        "tubes": tubes,
        "tip": answer.tip.map(|t| json!({
            "at_mm": t.at.coords.as_slice(),
            "direction": t.outward.as_slice(),
            "guessed_by": answer.tip_guess.map(|g| g.name()),
        })),
        "margins": answer.certificate.as_ref().map_or(Value::Null, margins_json),
        "proof": proof,
        "blocker": blocker,
        "helps": helps,
        "effort": { "starts": answer.starts, "cut_short": answer.cut_short },
        "scan_verdict": answer.scan_verdict,
        "notes": answer.notes,
    })
}

/// The `margins` object: what a certificate measured.
#[must_use]
pub fn margins_json(certificate: &Certificate) -> Value {
    let mut out = Map::new();
    let mut put = |key: &str, value: Option<f64>| {
        // An endless radius (a straight tube) has no number in JSON.
        out.insert(key.to_string(), json!(value.filter(|v| v.is_finite())));
    };
    let least = |kind| certificate.least(kind).map(|m| m.0);
    put("worst_pair_mm", least(MarginKind::Pair));
    put("worst_wall_mm", least(MarginKind::Wall));
    let zones = [least(MarginKind::ZonePair), least(MarginKind::ZoneWall)];
    put(
        "worst_kept_room_mm",
        zones.into_iter().flatten().reduce(f64::min),
    );
    put("worst_tube_wall_mm", least(MarginKind::TubeWall));
    put("worst_tube_part_mm", least(MarginKind::TubePart));
    put("least_bend_radius_mm", least(MarginKind::Bend));
    put("least_web_mm", least(MarginKind::Web));
    put(
        "least_spare_mm",
        certificate
            .worst()
            .map(super::certificate::Margin::spare_mm),
    );
    Value::Object(out)
}

pub(super) fn names<'s>(stack: &'s Stack, parts: &[usize]) -> Vec<&'s str> {
    parts
        .iter()
        .filter_map(|&i| stack.parts.get(i))
        .map(|p| p.name.as_str())
        .collect()
}

fn against(kind: MarginKind) -> &'static str {
    match kind {
        MarginKind::Pair => "each other",
        MarginKind::Wall => "the wall",
        MarginKind::ZonePair => "the room that one of them keeps free",
        MarginKind::ZoneWall => "the wall, with the room it keeps free",
        MarginKind::Seat => "the faceplate",
        MarginKind::Bend => "a straighter way for its tube",
        MarginKind::TubeWall => "the wall, with its tube",
        MarginKind::TubePart => "a tube",
        MarginKind::TubePair | MarginKind::Web => "each other, with their tubes",
        MarginKind::TubeEnds => "the way that its tube needs",
    }
}

/// The margins of tubes that are told in an answer.
pub(crate) const OF_TUBES: [MarginKind; 5] = [
    MarginKind::TubeWall,
    MarginKind::TubePart,
    MarginKind::TubePair,
    MarginKind::Bend,
    MarginKind::Web,
];

/// The tightest margin of a kind, in words. Bores ask for radii of their own: the least need not be the
/// tightest.
pub(crate) fn tightest_words(kind: MarginKind) -> String {
    match kind {
        MarginKind::Bend => "bend radius of a tube nearest to what is asked".to_owned(),
        _ => format!("least {}", kind.words()),
    }
}

/// Where the tubes leave and what that was taken for, where nobody told it.
fn guessed_way(answer: &FitAnswer) -> Option<String> {
    let (tip, guess) = answer.tip.zip(answer.tip_guess)?;
    let [x, y, z] = [tip.at.x, tip.at.y, tip.at.z];
    let way = tip.outward;
    let through = guess.through();
    Some(format!(
        "({x:.1}, {y:.1}, {z:.1}), out along ({:.2}, {:.2}, {:.2}), {through}: nobody told it \
         (`--tip` and `--tip-direction` would)",
        way.x, way.y, way.z
    ))
}

/// The answer in lines.
#[must_use]
pub fn fit_text(stack: &Stack, answer: &FitAnswer, helps: &[Help]) -> String {
    let mut out = String::new();
    let mut line = |text: String| {
        out.push_str(&text);
        out.push('\n');
    };
    match &answer.verdict {
        Verdict::Fits => {
            line("fits: a placement was found, and every margin re-computed".to_string());
            if let Some(way) = guessed_way(answer) {
                line(format!("  only if the tubes may leave at {way}"));
            }
        }
        Verdict::CannotFit(p) => {
            line(format!("cannot fit: {}", p.bound.because()));
            let unit = p.bound.unit();
            line(format!(
                "  needs {:.3} {unit}, has at most {:.3} {unit} ({})",
                p.need,
                p.have,
                p.bound.name()
            ));
            if !p.parts.is_empty() {
                line(format!("  parts: {}", names(stack, &p.parts).join(", ")));
            }
        }
        Verdict::NotFound => {
            line(format!(
                "not found: no placement in {} starts, and no proof that there is none",
                answer.starts
            ));
            if let Some(way) = guessed_way(answer) {
                line(format!("  tubes were led to {way}"));
            }
        }
    }
    if let Some(said) = &answer.scan_verdict {
        line(format!("  of the scan as it is, whose verdict is: {said}"));
    }
    if let Some(b) = &answer.blocker {
        let who = names(stack, &b.parts).join(" and ");
        line(match b.short {
            Some(short) => format!(
                "  nearest one: {who} too near to {}, by {:.3} mm",
                against(b.kind),
                short.0
            ),
            None => {
                format!("  the parts fit, but no way was found for the tube of {who} to its bore")
            }
        });
    }
    if let Some(certificate) = &answer.certificate {
        let said = |kind: MarginKind, need: f64| {
            let what = kind.words();
            certificate
                .least(kind)
                .map(|m| format!("  least {what}: {:.3} mm (asked: {need:.2})", m.0))
        };
        let pair = said(MarginKind::Pair, stack.clearance_mm);
        let wall = said(MarginKind::Wall, stack.wall_clearance_mm);
        pair.into_iter().chain(wall).for_each(&mut line);
    }
    if let Some(c) = answer
        .certificate
        .as_ref()
        .filter(|_| answer.verdict == Verdict::Fits)
    {
        for kind in OF_TUBES {
            if let Some(m) = c.tightest(kind).filter(|m| m.have.0.is_finite()) {
                let (what, have, need) = (tightest_words(kind), m.have.0, m.need.0);
                line(format!("  {what}: {have:.2} mm (asked: {need:.2})"));
            }
        }
    }
    if answer.cut_short {
        line("  the search was cut short: more time may find more".to_string());
    }
    for note in &answer.notes {
        line(format!("  note: {note}"));
    }
    for help in helps {
        line(format!(
            "  tried: {}: {}",
            help.words(),
            help.verdict.name().replace('_', " ")
        ));
    }
    out
}

/// Sides of the prism that a tube is drawn as; its corners lie on the tube.
const TUBE_SIDES: usize = 16;

/// A tube as a closed mesh: a ring of points across each point of its middle line, the rings turned
/// no more than the line itself.
fn tube_mesh(tube: &super::Tube) -> Option<Mesh> {
    let line = &tube.centreline;
    let last = line.len().checked_sub(1).filter(|n| *n > 0)?;
    let way = |i: usize| (line[(i + 1).min(last)] - line[i.max(1) - 1]).try_normalize(1e-12);
    let (mut u, _) = super::route::curve::across(&way(0)?);
    let (mut points, mut facets) = (Vec::new(), Vec::new());
    let n = TUBE_SIDES as u32;
    for (i, p) in line.iter().enumerate() {
        let along = way(i)?;
        u = (u - along * along.dot(&u)).try_normalize(1e-12)?;
        let v = along.cross(&u);
        for k in 0..TUBE_SIDES {
            let turn = std::f64::consts::TAU * k as f64 / TUBE_SIDES as f64;
            points.push(p + (u * turn.cos() + v * turn.sin()) * (tube.outer_mm / 2.0));
        }
        for k in 0..n {
            let (a, b) = (i as u32 * n + k, i as u32 * n + (k + 1) % n);
            if i < last {
                facets.extend([[a, b, b + n], [a, b + n, a + n]]);
            }
        }
    }
    let (first, end) = (points.len() as u32, points.len() as u32 + 1);
    points.extend([line[0], line[last]]);
    let top = last as u32 * n;
    for k in 0..n {
        let next = (k + 1) % n;
        facets.extend([[first, next, k], [end, top + k, top + next]]);
    }
    Mesh::new(points, facets).ok()
}

/// A tube up to where it runs into an earlier one of its bore: from there on they are one.
fn up_to_joint(tube: &super::Tube, earlier: &[super::Tube]) -> super::Tube {
    let shared = |other: &super::Tube| {
        let pairs = tube
            .centreline
            .iter()
            .rev()
            .zip(other.centreline.iter().rev());
        pairs.take_while(|(p, q)| (*p - *q).norm() < 1e-6).count()
    };
    let same = earlier.iter().filter(|t| t.name == tube.name);
    let most = same.map(shared).max().unwrap_or(0);
    let mut own = tube.clone();
    own.centreline
        .truncate(tube.centreline.len() + 1 - most.max(1));
    own
}

/// The parts of a placement and its tubes as meshes, named, for a look at them. What tubes of one bore
/// have in common is drawn once.
#[must_use]
pub fn part_meshes(stack: &Stack, placement: &super::Placement) -> Vec<(String, Mesh)> {
    const SIDES: [[u32; 3]; 12] = [
        [0, 2, 1],
        [1, 2, 3],
        [4, 5, 6],
        [5, 7, 6],
        [0, 1, 4],
        [1, 5, 4],
        [2, 6, 3],
        [3, 6, 7],
        [0, 4, 2],
        [2, 4, 6],
        [1, 3, 5],
        [3, 7, 5],
    ];
    let corner = |part: &super::PlacedPart, i: usize| -> Point {
        let own =
            Vector::from_fn(|k, _| part.size_mm[k] * if i >> k & 1 == 1 { 0.5 } else { -0.5 });
        part.pose.place(&own)
    };
    let each = placement.parts.iter().filter_map(|part| {
        let told = stack.parts.iter().find(|p| p.name == part.name);
        if let Some(surface) = told.and_then(|p| p.surface.as_ref()) {
            let mesh = surface.mapped(|p| part.pose.place(&p.coords)).ok()?;
            return Some((part.name.clone(), mesh));
        }
        let points = (0..8).map(|i| corner(part, i)).collect();
        Some((part.name.clone(), Mesh::new(points, SIDES.to_vec()).ok()?))
    });
    let tubes = placement.tubes.iter().enumerate().filter_map(|(i, t)| {
        let name = format!("tube of {} to {}", t.part, t.name);
        Some((name, tube_mesh(&up_to_joint(t, &placement.tubes[..i]))?))
    });
    each.chain(tubes).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::Topology;

    #[test]
    fn what_two_tubes_have_in_common_is_drawn_once() {
        let tube = |name: &str, line: &[[f64; 2]]| super::super::Tube {
            name: name.to_string(),
            part: "p".to_string(),
            outer_mm: 1.6,
            centreline: line.iter().map(|p| Point::new(p[0], p[1], 0.0)).collect(),
        };
        let first = tube("lows", &[[0.0, 5.0], [2.0, 2.0], [4.0, 0.0], [9.0, 0.0]]);
        let joins = tube("lows", &[[0.0, -5.0], [2.0, -2.0], [4.0, 0.0], [9.0, 0.0]]);
        let other = tube("mids", &[[0.0, -5.0], [4.0, 0.0], [9.0, 0.0]]);
        assert_eq!(up_to_joint(&first, &[]), first);
        let earlier = [first];
        let own = up_to_joint(&joins, &earlier);
        assert_eq!(own.centreline, joins.centreline[..3]);
        assert_eq!(up_to_joint(&other, &earlier), other);
        // One that is all another's has nothing of its own.
        assert_eq!(tube_mesh(&up_to_joint(&earlier[0].clone(), &earlier)), None);
    }

    #[test]
    fn a_tube_is_a_closed_body_of_its_volume() {
        // A quarter circle of radius 5, 1.6 thick: area times length (Pappus), less the prism's chords.
        let line = (0..=40).map(|i| {
            let (s, c) = (std::f64::consts::FRAC_PI_2 * f64::from(i) / 40.0).sin_cos();
            Point::new(5.0 * c, 5.0 * s, 1.0)
        });
        let tube = super::super::Tube {
            name: "lows".to_string(),
            part: "low".to_string(),
            outer_mm: 1.6,
            centreline: line.collect(),
        };
        let mesh = tube_mesh(&tube).unwrap();
        let topology = Topology::new(&mesh);
        assert_eq!((topology.open_edges, topology.flipped_edges), (0, 0));
        let exact = std::f64::consts::PI * 0.64 * 5.0 * std::f64::consts::FRAC_PI_2;
        let share = mesh.signed_volume_mm3() / exact;
        assert!((0.96..1.0).contains(&share), "{share}");
    }
}
