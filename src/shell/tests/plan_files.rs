//! Plan files: what they say is taken, and what they cannot say is told with its line.

use crate::shell::{Bores, Facing, Lid, Material, Past, Plan, parse_plan};

fn read(text: &str) -> Result<Plan, String> {
    parse_plan(text, "ear.toml".as_ref(), Plan::default())
        .map_err(|e| format!("{e} | {}", e.help()))
}

#[test]
fn everything_that_a_plan_can_say() {
    let text = r#"
        facet_mm = 0.25
        finishing_stock_mm = 0.05
        vent_mm = 0.8
        [cut]
        past = "first-bend"
        by_mm = 4
        round_mm = 0.7
        [faceplate]
        facing = [0.0, 0.1, -1]
        height_mm = 9.5
        raise_mm = -0.5
        tilt_up_deg = 3
        tilt_forward_deg = -2
        lid = "closed"
        thickness_mm = 1.2
        [build_up]
        tip_mm = -0.2
        past_second_bend_mm = 0.1
        between_bends_mm = 0.15
        seal_zone_mm = 0.35
        concha_mm = 0.05
        cymba_mm = 0
        [wall]
        body_mm = 1.1
        canal_mm = 1.5
        canal = "soft"
        joint_at_mm = 2
        solid_tip_mm = 3
        [bores]
        web_mm = 0.6
        wall_mm = 0.7
        [[bore]]
        from_mm = [0, 0, 5]
        to_mm = [0, 1, 20]
        diameter_mm = 1.4
        [[plane]]
        point_mm = [0, 0, 9]
        outward = [0, 1, 0]
    "#;
    let plan = read(text).expect("a plan");
    let cut = plan.cut.expect("a cut");
    assert_eq!(
        (cut.past, cut.by_mm, cut.round_mm),
        (Past::FirstBend, 4.0, 0.7)
    );
    assert!(matches!(plan.faceplate.facing, Facing::Given(v) if v.z == -1.0));
    assert_eq!(plan.faceplate.lid, Lid::Closed { thickness_mm: 1.2 });
    assert_eq!(
        (plan.faceplate.height_mm, plan.faceplate.raise_mm),
        (Some(9.5), -0.5)
    );
    assert_eq!(
        (plan.build_up.tip_mm, plan.build_up.seal_zone_mm),
        (-0.2, 0.35)
    );
    assert_eq!(
        (plan.walls.canal, plan.walls.joint_at_mm),
        (Material::Soft, 2.0)
    );
    assert!(matches!(&plan.bores, Bores::Given(b) if b[0].diameter_mm == 1.4 && b[0].to.z == 20.0));
    assert_eq!(
        (plan.web_mm, plan.bore_wall_mm, plan.vent_mm),
        (0.6, 0.7, Some(0.8))
    );
    assert_eq!(
        (plan.planes.len(), plan.facet_mm, plan.finishing_stock_mm),
        (1, 0.25, 0.05)
    );
}

#[test]
fn what_it_does_not_say_stays() {
    assert_eq!(read("").expect("empty"), Plan::default());
    assert_eq!(read("\u{feff}# mine\r\n").expect("empty"), Plan::default());
    assert_eq!(read("[cut]\npast = \"none\"\n").expect("no cut").cut, None);
    let thick = read("[faceplate]\nthickness_mm = 1.5\n").expect("closed");
    assert_eq!(thick.faceplate.lid, Lid::Closed { thickness_mm: 1.5 });
    let open = read("[faceplate]\nlid = \"open\"\nthickness_mm = 1.5\n").expect("open");
    assert_eq!(open.faceplate.lid, Lid::Open);
    let two = read("[bores]\ncount = 2\n").expect("bores");
    assert!(matches!(two.bores, Bores::Count { count: 2, diameter_mm } if diameter_mm == 1.5));
}

#[test]
fn every_fault_has_its_line_and_a_next_step() {
    for (text, says) in [
        (
            "[cut]\nby_mn = 3\n",
            "ear.toml: line 2: a plan has no key `cut.by_mn` | the nearest is `cut.by_mm`",
        ),
        (
            "[walls]\nbody_mm = 1\n",
            "line 2: a plan has no key `walls.body_mm` | the nearest is `wall.body_mm`",
        ),
        (
            "facet = 0.3\n",
            "line 1: a plan has no key `facet` | the nearest is `facet_mm`",
        ),
        (
            "[cut]\n\npast = \"third-bend\"\n",
            "line 3: `cut.past`: wrong kind of value | it takes \"aperture\"",
        ),
        (
            "[wall]\nbody_mm = \"1\"\n",
            "line 2: `wall.body_mm`: wrong kind of value | it takes a finite number",
        ),
        (
            "[wall]\nbody_mm = nan\n",
            "line 2: `wall.body_mm`: wrong kind",
        ),
        (
            "[wall]\nbody_mm = 100\n",
            "line 2: wall.body_mm is 100; it may be 0.2 to 10",
        ),
        (
            "[bores]\ncount = 1.5\n",
            "line 2: `bores.count`: wrong kind of value | it takes a whole number",
        ),
        ("[bores]\ncount = -1\n", "line 2: `bores.count`"),
        (
            "[[bore]]\nfrom_mm = [0, 0]\nto_mm = [0, 0, 1]\ndiameter_mm = 1\n",
            "line 2: `from_mm`: wrong kind",
        ),
        ("[[bore]]\nto_mm = [0, 0, 1]\n", "line 1: lacks `from_mm`"),
        (
            "[[bore]]\nfrom_mm = [0,0,0]\nto_mm = [0,0,1]\ndiametre_mm = 1\n",
            "line 4: a [[bore]] has no key `diametre_mm`",
        ),
        (
            "[bores]\ncount = 2\n[[bore]]\nfrom_mm = [0,0,0]\nto_mm = [0,0,1]\ndiameter_mm = 1\n",
            "both given",
        ),
        (
            "[bore]\nfrom_mm = [0,0,0]\n",
            "line 2: a plan has no key `bore.from_mm`",
        ),
        ("bore = [1]\n", "line 1: is no table"),
        (
            "[faceplate]\nfacing = \"up\"\n",
            "line 2: `faceplate.facing`: wrong kind",
        ),
        (
            "[faceplate]\nfacing = [0, 0, inf]\n",
            "line 2: `faceplate.facing`: wrong kind",
        ),
        (
            "[faceplate]\nthickness_mm = 0.01\n",
            "faceplate.thickness_mm is 0.01",
        ),
        ("[cut\n", "line 1: not valid TOML"),
    ] {
        let got = read(text).expect_err(text);
        assert!(got.contains(says), "{text:?}: {got}");
    }
}

#[test]
fn a_file_that_is_no_plan_is_told() {
    use crate::shell::read_plan;
    let dir = tempfile::tempdir().expect("a folder");
    let fails = |p: &std::path::Path| {
        let e = read_plan(p, Plan::default()).expect_err("no plan");
        e.to_string()
    };
    assert!(fails(dir.path()).contains("is no plan file"));
    assert!(fails(&dir.path().join("none.toml")).contains("there is no such file"));
    let latin = dir.path().join("latin.toml");
    std::fs::write(&latin, b"# \xe4\n").expect("written");
    assert!(fails(&latin).contains("byte 2 is not UTF-8"));
}

/// The plan that the handbook shows is read, and says what the defaults are where it repeats them.
#[test]
fn the_plan_of_the_handbook_is_read() {
    let page = include_str!("../../../docs/shell.md");
    let block = page
        .split("```toml\n")
        .nth(1)
        .and_then(|rest| rest.split("```").next());
    let plan = read(block.expect("a block of TOML")).expect("a plan");
    let usual = Plan::default();
    assert_eq!(
        (plan.cut, plan.build_up, plan.walls),
        (usual.cut, usual.build_up, usual.walls)
    );
    assert_eq!((plan.facet_mm, plan.planes.len()), (usual.facet_mm, 1));
}
