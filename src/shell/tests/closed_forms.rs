//! A turned impression, whose shell is known to the last cubic millimetre.

use std::f64::consts::{FRAC_PI_4, PI};

use super::turned::{SIDES, Turned};
use crate::mesh::{Mesh, MeshQueries, Point, Topology, Vector};
use crate::shell::wall::{Between, GivenBore, Wall, WallOptions, wall};
use crate::shell::{
    Bores, BuildUp, Caution, Cut, Faceplate, Facing, FreePlane, Lid, Past, Plan, Shell, ShellError,
    Walls, deviation_mm,
};
use crate::soundness::crossing_pairs;

/// Even build-up 0.3 and stock 0.1; cut square 15 past the aperture; faceplate 8 over it; wall 0.8.
fn plan() -> Plan {
    let usual = Plan::default();
    Plan {
        cut: Some(Cut {
            past: Past::Aperture,
            by_mm: 15.0,
            round_mm: 0.0,
        }),
        faceplate: Faceplate {
            height_mm: Some(8.0),
            ..usual.faceplate
        },
        build_up: BuildUp::even(0.3),
        walls: Walls {
            body_mm: 0.8,
            canal_mm: 0.8,
            ..usual.walls
        },
        ..usual
    }
}

fn made(plan: &Plan) -> Shell {
    let shell = Turned::new().shell(plan).expect("a shell");
    for (what, mesh) in [
        ("outer", Some(&shell.outer)),
        ("cavity", shell.cavity.as_ref()),
        ("solid", Some(&shell.solid)),
    ] {
        if let Some(mesh) = mesh {
            sound(mesh, what);
        }
    }
    shell
}

fn sound(mesh: &Mesh, what: &str) {
    let topology = Topology::new(mesh);
    let faults = (
        topology.open_edges,
        topology.fins.len(),
        topology.flipped_edges,
    );
    assert_eq!(faults, (0, 0, 0), "{what}: open, fins, flipped");
    assert!(mesh.signed_volume_mm3() > 0.0, "{what} is inside out");
    assert_eq!(
        crossing_pairs(&MeshQueries::new(mesh)),
        0,
        "{what} crosses itself"
    );
}

fn measured(mesh: &Mesh, bores: Vec<GivenBore>) -> Wall {
    let options = WallOptions {
        bores,
        ..WallOptions::default()
    };
    wall(mesh, &Topology::new(mesh), &options).expect("a wall")
}

/// A polygon of so many sides in a circle has this share of its area.
fn chords() -> f64 {
    let n = SIDES as f64;
    n / (2.0 * PI) * (2.0 * PI / n).sin()
}

/// Outer: a drum of 9.4 (its edge rounded with 0.4) and a rod of 4.4. Cavity: a drum of 8.5, a rod of
/// 3.5, and the corner between them rounded with 0.9 about the outer corner.
#[test]
fn volumes_and_depths_of_a_turned_shell() {
    let shell = made(&plan());
    let edge = 2.0 * PI * (9.0 * FRAC_PI_4 * 0.16 + 0.4_f64.powi(3) / 3.0);
    let outer = PI * 9.4 * 9.4 * 8.0 + PI * 81.0 * 0.4 + edge + PI * 4.4 * 4.4 * 14.7;
    let disc = 2.0 * PI * (4.4 * FRAC_PI_4 * 0.81 - 0.9_f64.powi(3) / 3.0);
    let corner = PI * (4.4 * 4.4 - 3.5 * 3.5) * 0.9 - disc;
    let cavity = PI * 8.5 * 8.5 * 7.5 + PI * 3.5 * 3.5 * 14.7 + corner;
    for (what, got, want) in [
        ("outer", shell.outer_volume_mm3, outer),
        ("cavity", shell.cavity_volume_mm3, cavity),
    ] {
        // Chords of the scan and of the drawing cut off; both are under 0.2 %.
        assert!(
            got < want && got > want * (chords() - 0.002),
            "{what}: {got} {want}"
        );
    }
    let material = shell.outer_volume_mm3 - shell.cavity_volume_mm3;
    assert!(
        (shell.material_mm3 - material).abs() < 0.2,
        "{}",
        shell.material_mm3
    );
    assert!((shell.canal_end_mm - 15.1).abs() < 1e-9);
    let open_to = shell.canal_open_to_mm.expect("open");
    assert!((open_to - 14.2).abs() < 0.01, "{open_to}");
    assert!((shell.faceplate_area_mm2 / (PI * 9.4 * 9.4) - chords()).abs() < 0.001);
    assert_eq!(shell.cautions, vec![]);
}

#[test]
fn the_wall_is_what_was_asked_everywhere() {
    let shell = made(&plan());
    let w = measured(&shell.solid, Vec::new());
    let least = w.least.as_ref().expect("a wall");
    assert!((least.wall_mm.value - 0.9).abs() < 0.02, "{least:?}");
    let [first, .., last] = w.percentiles_mm[..] else {
        panic!("percentiles")
    };
    assert!((first.1 - 0.9).abs() < 0.01, "{first:?}");
    // In the corner between drum and rod the ball is larger: 0.9 is the wall beside it.
    assert!(last.1 < 1.1, "{last:?}");
    assert!(w.trapped.is_empty(), "it is open");
}

/// A closed faceplate of 1.2: the cavity ends at that depth, and nothing drains it.
#[test]
fn a_closed_faceplate_is_as_thick_as_asked() {
    let mut plan = plan();
    plan.faceplate.lid = Lid::Closed { thickness_mm: 1.2 };
    let shell = made(&plan);
    let cavity = shell.cavity.as_ref().expect("a cavity");
    let highest = cavity
        .points()
        .iter()
        .map(|p| -p.z)
        .fold(f64::MIN, f64::max);
    assert!((highest - 6.8).abs() < 0.005, "{highest}");
    let w = measured(&shell.solid, Vec::new());
    assert_eq!(w.trapped.len(), 1);
    plan.vent_mm = Some(1.0);
    let vented = made(&plan);
    assert_eq!(
        vented.bores.len(),
        2,
        "one through the tip, one through the faceplate"
    );
    assert!(vented.bores.iter().all(|b| b.reaches_cavity && b.comes_out));
    assert!(measured(&vented.solid, Vec::new()).trapped.is_empty());
}

#[test]
fn a_faceplate_moved_by_0_3_is_found_there() {
    let low = made(&plan());
    let mut plan = plan();
    plan.faceplate.height_mm = Some(8.3);
    let high = made(&plan);
    let top = |s: &Shell| {
        s.solid
            .points()
            .iter()
            .map(|p| -p.z)
            .fold(f64::MIN, f64::max)
    };
    assert!((top(&high) - top(&low) - 0.3).abs() < 0.001);
    assert!((high.faceplate_height_mm - low.faceplate_height_mm - 0.3).abs() < 1e-9);
    let more = high.outer_volume_mm3 - low.outer_volume_mm3;
    assert!((more / (PI * 9.4 * 9.4) - 0.3).abs() < 0.001, "{more}");
    // Raised over the impression's own face (10 up), the sides go straight on.
    plan.faceplate.height_mm = None;
    plan.faceplate.raise_mm = 1.5;
    let over = made(&plan);
    assert!(over.cautions.contains(&Caution::DrawnOut { by_mm: 1.5 }));
    let found = over.faceplate_height_mm - 1.5;
    assert!(found < 10.0 && found > 9.0, "{found}");
    assert!((top(&over) - over.faceplate_height_mm).abs() < 0.005);
    let radius = over.faceplate_area_mm2 / PI;
    assert!((radius.sqrt() - 9.4).abs() < 0.01, "{radius}");
    plan.faceplate.height_mm = Some(12.0);
    let missed = Turned::new().shell(&plan).map(|_| ());
    assert_eq!(missed, Err(ShellError::FaceplateMisses { height_mm: 13.5 }));
}

fn bored(x: f64) -> (Shell, Wall) {
    let mut plan = plan();
    plan.walls.solid_tip_mm = 5.0;
    let bore = GivenBore {
        from: Point::new(x, 0.0, 8.0),
        to: Point::new(x, 0.0, 17.0),
        diameter_mm: 1.5,
    };
    plan.bores = Bores::Given(vec![bore]);
    let shell = made(&plan);
    let (from, to) = shell.bores[0].material_mm;
    let given = GivenBore {
        from: shell.bores[0].place(from),
        to: shell.bores[0].place(to),
        diameter_mm: 1.5,
    };
    let w = measured(&shell.solid, vec![given]);
    (shell, w)
}

/// Bore of 1.5 set off by x in a rod of 4.4: web 4.4 − x − 0.75; through 5 of solid tip. (A web over
/// 2.1 would read the ball in the corner at the bore's mouth, which is wider than an edge.)
#[test]
fn a_bore_moved_by_0_3_is_found_placed_and_measured() {
    let mut last: Option<f64> = None;
    for x in [2.0, 2.3] {
        let (shell, w) = bored(x);
        let want = 4.4 - x - 0.75;
        let by_line = shell.bores[0].wall_mm.expect("it runs through material");
        assert!((by_line - want).abs() < 0.01, "{by_line} {want}");
        assert!(
            (shell.bores[0].length_mm() - 5.0).abs() < 0.05,
            "{}",
            shell.bores[0].length_mm()
        );
        // Through the solid tip, from 5 within its end to it, and not beyond.
        let drawn = shell.bores[0].in_material();
        let length: f64 = drawn.windows(2).map(|w| (w[1] - w[0]).norm()).sum();
        assert!((length - shell.bores[0].length_mm()).abs() < 1e-9);
        let end = |p: &Point| p.z.abs();
        let tip = shell.outer.points().iter().map(|p| p.z).fold(0.0, f64::max);
        assert!(
            (drawn.iter().map(end).fold(0.0, f64::max) - tip).abs() < 0.02,
            "{tip}"
        );
        let web = w
            .webs
            .iter()
            .find(|web| web.between.contains(&Between::Outer));
        let web = web.expect("a web to the outside");
        assert!(
            (web.least_mm - want).abs() < 0.02,
            "{} {want}",
            web.least_mm
        );
        let place = nalgebra::center(&web.point, &web.opposite);
        assert!(place.x > x && place.y.abs() < 0.6, "{place}");
        if let Some(before) = last {
            assert!((before - web.least_mm - 0.3).abs() < 0.02);
        }
        last = Some(web.least_mm);
    }
}

#[test]
fn a_wall_thinned_by_0_2_is_found_placed_and_measured() {
    let shell = made(&plan());
    let spot = Point::new(0.0, 4.4, 7.0);
    let thinned = shell
        .solid
        .mapped(|p| {
            let r = p.x.hypot(p.y);
            let away = (p - spot).norm();
            // Only the outer surface: the cavity's is at 3.5.
            if r < 4.2 || away > 2.0 {
                return *p;
            }
            let t = 1.0 - (away / 2.0).powi(2);
            let by = 0.2 * t * t;
            Point::new(p.x * (1.0 - by / r), p.y * (1.0 - by / r), p.z)
        })
        .expect("finite");
    let w = measured(&thinned, Vec::new());
    let least = w.least.as_ref().expect("a wall");
    assert!((least.wall_mm.value - 0.7).abs() < 0.02, "{least:?}");
    assert!((least.point - spot).norm() < 0.6, "{}", least.point);
    let spots = w.thin_spots(&thinned, 0.85);
    assert_eq!(spots.len(), 1);
    // Under 0.85 where t² > 1/4, so within 2 √(1/2) of the spot.
    let area = PI * 2.0;
    assert!(
        (spots[0].area_mm2 - area).abs() < 0.15 * area,
        "{}",
        spots[0].area_mm2
    );
}

#[test]
fn build_up_follows_the_zones() {
    let mut plan = plan();
    plan.build_up = BuildUp {
        tip_mm: 0.0,
        past_second_bend_mm: 0.1,
        between_bends_mm: 0.2,
        seal_zone_mm: 0.4,
        concha_mm: 0.05,
        cymba_mm: 0.05,
    };
    plan.cut = Some(Cut {
        past: Past::SecondBend,
        by_mm: 4.9,
        round_mm: 0.0,
    });
    let shell = made(&plan);
    // Canal to 19.0 with stock; zones change at 0, 8, 14 and 17, over ±1 mm each.
    for (from, to, radius) in [
        (1.2, 6.8, 4.5),
        (9.2, 12.8, 4.3),
        (15.2, 15.9, 4.2),
        (18.2, 18.9, 4.1),
        (-7.9, -1.2, 9.15),
    ] {
        let ring = shell
            .outer
            .points()
            .iter()
            .filter(|p| p.z > from && p.z < to);
        let radii: Vec<f64> = ring.map(|p| p.x.hypot(p.y)).filter(|r| *r > 3.9).collect();
        assert!(radii.len() > 20, "{from}");
        for r in radii {
            // Sides of the lathe are chords: 1 − cos(π / sides) of the radius within.
            assert!(
                r < radius + 0.006 && r > radius - 0.008,
                "{from}: {r} {radius}"
            );
        }
    }
    // Halfway through a blend stands the mean of both.
    let middle = shell
        .outer
        .points()
        .iter()
        .filter(|p| (p.z - 8.0).abs() < 0.1);
    for r in middle.map(|p| p.x.hypot(p.y)) {
        assert!((r - 4.4).abs() < 0.03, "{r}");
    }
}

/// Built up by 0.4 with its stock, and trimmed in front and at the tip: drum and rod are a figure
/// turned about the axis, so how far a point lies from them is a matter of two rectangles.
#[test]
fn deviation_is_the_distance_from_the_drum_and_the_rod() {
    let ear = Turned::new();
    let impression = ear.impression();
    let outer = made(&plan()).outer;
    let apart = deviation_mm(&impression, &outer);
    let outside = |r: f64, z: f64, [radius, low, high]: [f64; 3]| {
        let (u, v) = (r - radius, (low - z).max(z - high));
        u.max(v).min(0.0) + u.max(0.0).hypot(v.max(0.0))
    };
    let mut seen = [0; 3];
    for (p, d) in outer.points().iter().zip(apart) {
        let (r, z) = (p.x.hypot(p.y), p.z);
        let want = outside(r, z, [9.0, -10.0, 0.0]).min(outside(r, z, [4.0, 0.0, 20.0]));
        // Within, the distance to the nearer of two is not that to both; cuts lie 2 and 4.9 deep.
        let want = if want < -1e-9 { continue } else { want };
        // The lathe's sides are chords, up to 0.011 within the circle.
        assert!((d - want).abs() < 0.015, "{d} instead of {want} at {p}");
        seen[usize::from(z > 0.5)] += 1;
        seen[2] += usize::from(want > 0.38);
    }
    assert!(seen.iter().all(|&n| n > 500), "{seen:?}");
    // In the middle of the faceplate's plane and of the cut, the nearest of the scan is its own end.
    let least = |z: f64| {
        let near = outer
            .points()
            .iter()
            .position(|p| p.x.hypot(p.y) < 0.5 && (p.z - z).abs() < 0.01);
        deviation_mm(&impression, &outer)[near.expect("a point there")]
    };
    assert!((least(-8.0) + 2.0).abs() < 0.01, "{}", least(-8.0));
    assert!(least(15.1) < -3.5, "{}", least(15.1));
}

/// Soft canal of 1.6 behind a joint at 5, hard body of 0.8 before it.
#[test]
fn two_materials_have_their_own_walls() {
    let mut plan = plan();
    plan.walls.canal_mm = 1.6;
    plan.walls.joint_at_mm = 5.0;
    let shell = made(&plan);
    let w = measured(&shell.solid, Vec::new());
    for (p, at) in shell.solid.points().iter().enumerate() {
        let on_canal = w.counts(p) && (at.x.hypot(at.y) - 4.4).abs() < 0.01;
        if !on_canal {
            continue;
        }
        if at.z > 2.0 && at.z < 3.5 {
            assert!((w.wall_mm[p] - 0.9).abs() < 0.02, "{at}: {}", w.wall_mm[p]);
        } else if at.z > 7.0 && at.z < 12.0 {
            assert!((w.wall_mm[p] - 1.7).abs() < 0.02, "{at}: {}", w.wall_mm[p]);
        }
    }
}

/// A free plane takes off a segment of the drum: its area by the closed form of a circle's segment.
#[test]
fn a_free_plane_trims_and_a_tilt_tilts() {
    let whole = made(&plan());
    let mut plan = plan();
    plan.planes.push(FreePlane {
        point: Point::new(7.0, 0.0, 0.0),
        outward: Vector::new(2.0, 0.0, 0.0),
    });
    let cut = made(&plan);
    let most = cut
        .outer
        .points()
        .iter()
        .map(|p| p.x)
        .fold(f64::MIN, f64::max);
    assert!((most - 7.0).abs() < 0.005, "{most}");
    let (r, d) = (9.4_f64, 7.0_f64);
    let segment = r * r * (d / r).acos() - d * (r * r - d * d).sqrt();
    let off = whole.outer_volume_mm3 - cut.outer_volume_mm3;
    // The rounded edge of 0.4 at the drum's end goes on for less than 0.4 at the segment's width.
    assert!(
        off > 8.0 * segment * 0.995 && off < 8.4 * segment,
        "{off} {segment}"
    );

    plan.planes.clear();
    plan.faceplate.tilt_up_deg = 10.0;
    let tilted = made(&plan);
    let n = tilted.faceplate.outward;
    assert!(
        (n.y - 10f64.to_radians().sin()).abs() < 1e-12 && n.x.abs() < 1e-12,
        "{n}"
    );
    plan.faceplate.facing = Facing::Axis;
    plan.faceplate.tilt_up_deg = 0.0;
    assert!((made(&plan).faceplate.outward + Vector::z()).norm() < 1e-12);
}

#[test]
fn bores_by_count_keep_their_webs_and_reach_the_cavity() {
    let mut plan = plan();
    plan.bores = Bores::Count {
        count: 3,
        diameter_mm: 1.5,
    };
    plan.walls.solid_tip_mm = 4.0;
    let shell = made(&plan);
    assert_eq!(shell.bores.len(), 3);
    for (k, bore) in shell.bores.iter().enumerate() {
        assert!(bore.reaches_cavity && bore.comes_out);
        assert!(
            (bore.length_mm() - 4.0).abs() < 0.05,
            "{}",
            bore.length_mm()
        );
        assert!(bore.wall_mm.expect("material") > 0.7, "{:?}", bore.wall_mm);
        for other in &shell.bores[..k] {
            assert!(bore.web_to(other) > 0.5, "{}", bore.web_to(other));
        }
    }
    // A ring of three through 4 of tip: genus 3, and 3 π r² 4 less material.
    let mut solid_tip = plan.clone();
    solid_tip.bores = Bores::Given(Vec::new());
    let off = made(&solid_tip).material_mm3 - shell.material_mm3;
    let want = 3.0 * PI * 0.5625 * 4.0;
    assert!((off / want - 1.0).abs() < 0.02, "{off} {want}");
    plan.bores = Bores::Count {
        count: 4,
        diameter_mm: 3.5,
    };
    let wide = Turned::new().shell(&plan).map(|_| ());
    assert!(
        matches!(wide, Err(ShellError::BoresTooWide { .. })),
        "{wide:?}"
    );
}

#[test]
fn what_cannot_be_told_is_refused() {
    let with = |change: fn(&mut Turned, &mut Plan)| {
        let (mut ear, mut plan) = (Turned::new(), plan());
        change(&mut ear, &mut plan);
        ear.shell(&plan).map(|_| ())
    };
    assert_eq!(
        with(|e, _| e.canal.aperture_reached = false),
        Err(ShellError::NoAperture)
    );
    let past = Past::SecondBend;
    let no_bend = with(|e, p| {
        e.canal.bends.pop();
        p.cut = Plan::default().cut;
    });
    assert_eq!(no_bend, Err(ShellError::NoBend { past }));
    let unsure = with(|e, p| {
        e.canal.bends_sure = false;
        p.cut = Plan::default().cut;
    });
    assert_eq!(unsure, Err(ShellError::BendsUnsure { past }));
    let no_face = with(|e, _| e.canal.face = None);
    assert_eq!(no_face, Err(ShellError::NoFace));
    let no_frame = with(|e, p| {
        e.canal.frame = None;
        p.faceplate.tilt_up_deg = 3.0;
    });
    assert_eq!(no_frame, Err(ShellError::NoFrame));
    let beyond = with(|_, p| {
        p.cut = Some(Cut {
            past: Past::Aperture,
            by_mm: 20.5,
            round_mm: 0.0,
        });
    });
    let (at_mm, length_mm) = (20.5, 20.0);
    assert_eq!(beyond, Err(ShellError::CutBeyondTip { at_mm, length_mm }));
    let no_seal = with(|e, p| {
        e.canal.bends.clear();
        p.build_up = Plan::default().build_up;
    });
    let past = Past::FirstBend;
    assert_eq!(no_seal, Err(ShellError::NoBend { past }));
    let nan = with(|_, p| p.walls.body_mm = f64::NAN);
    assert!(matches!(nan, Err(ShellError::Plan(_))), "{nan:?}");
}

/// Walls that leave no room make a solid, which is said.
#[test]
fn walls_that_meet_leave_no_cavity() {
    let mut plan = plan();
    plan.walls.body_mm = 9.9;
    plan.walls.canal_mm = 9.9;
    let shell = made(&plan);
    assert_eq!(shell.cavity, None);
    assert!(shell.cautions.contains(&Caution::NoCavity));
    assert_eq!(shell.material_mm3, shell.outer_volume_mm3);
    // A canal too narrow for its walls closes at its root, and the body stays open.
    plan.walls.body_mm = 0.8;
    plan.walls.canal_mm = 5.0;
    plan.walls.joint_at_mm = 4.0;
    let closed = made(&plan);
    let open_to = closed.canal_open_to_mm.expect("open");
    assert!(open_to > 2.9 && open_to < 5.1, "{open_to}");
}
