//! Valve laws against published and recomputed values, and against their own finite differences.

use presolder::valves::{Library, PentodeLaw, TriodeLaw, ValveError, compare};
use proptest::prelude::*;
use std::sync::Arc;

fn library() -> Library {
    Library::embedded().expect("the embedded valve files are right")
}

fn triode(name: &str) -> Arc<dyn TriodeLaw> {
    library().triode(name).expect(name).law
}

fn pentode(name: &str) -> Arc<dyn PentodeLaw> {
    library().pentode(name).expect(name).law
}

fn near(what: &str, got: f64, want: f64, relative: f64) {
    assert!((got / want - 1.0).abs() <= relative, "{what}: {got}, wanted {want}");
}

/// Points computed from the equations and the constants of Koren, Glass Audio 8(5), 1996
/// (equation 4; author's errata table 1), by hand outside this program.
#[test]
fn koren_triodes_give_the_computed_points() {
    let c = triode("12AX7").currents(-2.0, 250.0);
    near("12AX7 mA", c.plate_a * 1e3, 0.951803, 1e-6);
    near("12AX7 gm", c.plate_by_grid_s * 1e3, 1.66998, 1e-5);
    near("12AX7 rp", 1e-3 / c.plate_by_plate_s, 53.688, 1e-5);
    near("12AX7 mu", c.plate_by_grid_s / c.plate_by_plate_s, 89.66, 1e-4);
    let c = triode("12AX7").currents(-1.0, 100.0);
    near("12AX7 at 100 V, mA", c.plate_a * 1e3, 0.100391, 1e-5);
    near("12AX7 at 100 V, gm", c.plate_by_grid_s * 1e3, 0.5876, 1e-4);
    near("12AX7 at 0 V, mA", triode("ecc83").currents(0.0, 250.0).plate_a * 1e3, 6.80912, 1e-5);
    near("12AT7 mA", triode("12AT7").currents(-2.0, 250.0).plate_a * 1e3, 12.8440, 1e-5);
}

/// Koren 12AX7 with a 100k load, 1.5k cathode resistor, and 330, 300, 250 V: recomputed; the
/// first also in a textbook (Electronics, chapter 6, 1.07 mA, 221 V, 1.61 V).
#[test]
fn a_koren_stage_settles_at_the_computed_point() {
    let law = triode("12AX7");
    for (supply, want_ma, gain) in
        [(330.0, 1.07419, 61.73), (300.0, 0.970467, 61.37), (250.0, 0.798983, 60.63)]
    {
        let (mut low, mut high) = (0.0, supply / 101.5e3);
        for _ in 0..80 {
            let i = 0.5 * (low + high);
            let c = law.currents(-1.5e3 * i, supply - 101.5e3 * i);
            if c.plate_a > i { low = i } else { high = i }
        }
        near("mA", low * 1e3, want_ma, 1e-5);
        let c = law.currents(-1.5e3 * low, supply - 101.5e3 * low);
        near("gain", c.plate_by_grid_s / (c.plate_by_plate_s + 1e-5), gain, 2e-4);
    }
}

/// Points recomputed from the constants of Koren's errata table 1; currents in mA.
#[test]
fn koren_pentodes_give_the_computed_points() {
    for (name, plate, screen, grid, plate_ma, screen_ma) in [
        ("6L6GC", 250.0, 250.0, -14.0, 80.984, 8.396),
        ("6L6GC", 450.0, 400.0, -37.0, 56.65, 4.30),
        ("EL34", 250.0, 250.0, -13.5, 96.962, 4.782),
        ("KT88", 250.0, 250.0, -15.0, 155.48, 7.92),
    ] {
        let c = pentode(name).currents(grid, screen, plate);
        near(name, c.current_a[2] * 1e3, plate_ma, 1e-4);
        near(name, c.current_a[1] * 1e3, screen_ma, 2e-3);
    }
}

/// Points recomputed from table 1 of Dempwolf and Zoelzer, DAFx-11, 2011.
#[test]
fn dempwolf_zoelzer_triodes_give_the_computed_points() {
    for (set, plate_ma, grid_ua, grid_half_ua) in
        [("RSD-1", 0.901322, 18.843, 248.99), ("RSD-2", 1.019770, 12.689, 230.80)]
    {
        let law = triode(&format!("12AX7 {set}"));
        near(set, law.currents(-2.0, 250.0).plate_a * 1e3, plate_ma, 1e-5);
        near(set, law.currents(0.0, 250.0).grid_a * 1e6, grid_ua, 1e-4);
        near(set, law.currents(0.5, 250.0).grid_a * 1e6, grid_half_ua, 1e-4);
        let c = law.currents(0.3, 180.0);
        let cathode = c.plate_a + c.grid_a;
        let other = law.currents(0.3 + 1.0 / 103.2, 180.0 - 1.0);
        if set == "RSD-1" {
            // The cathode current depends on Vpk / mu + Vgk alone.
            near("cathode current", other.plate_a + other.grid_a, cathode, 1e-12);
        }
    }
}

/// Plate currents recomputed from the constants of Cohen and Helie, Acoustics 2012.
#[test]
fn the_cohen_helie_plate_current_gives_the_computed_points() {
    let law = library().triode_with_law("12AX7", "cohen-helie").expect("law").law;
    near("250/-2", law.currents(-2.0, 250.0).plate_a * 1e3, 1.26899, 1e-5);
    near("100/-1", law.currents(-1.0, 100.0).plate_a * 1e3, 0.466177, 1e-5);
    near("250/0", law.currents(0.0, 250.0).plate_a * 1e3, 5.44242, 1e-5);
}

/// The grid branch as published, I = gg (ln(1+exp(cg v))/cg)^xi. The reference decks put a ceiling of
/// 80 on the exponent, which is at 8 V of grid; none of them goes there.
#[test]
fn grid_current_follows_the_published_law() {
    let law = triode("12AX7");
    for v in [-1.0f64, -0.2, 0.0, 0.4, 3.0, 8.0, 9.0, 50.0] {
        let exponent = 9.901 * v;
        let want = 0.0006177 * ((1.0 + exponent.exp()).ln() / 9.901).powf(1.314);
        near("grid", law.currents(v, 200.0).grid_a, want, 1e-10);
    }
}

/// A plate below its cathode gives no current, whatever the grid does.
#[test]
fn a_cold_plate_gives_no_current() {
    for name in ["6L6GC", "EL34", "6V6GT", "EL84", "6550", "KT88"] {
        for vg in [-60.0, -10.0, 0.0, 7.0] {
            let c = pentode(name).currents(vg, 300.0, -20.0);
            assert_eq!((c.current_a[2], c.by_voltage_s[2]), (0.0, [0.0; 3]), "{name}");
            assert!(pentode(name).currents(vg, 300.0, 1e-9).current_a[2] >= 0.0, "{name}");
        }
    }
}

/// Deviation of Koren's 12AX7 from the data sheets: the figures that the source of the
/// published values names, -21 % at 250 V and -80 % at 100 V. A property of the model.
#[test]
fn data_sheet_comparison_reports_the_known_deviation() {
    let library = library();
    let file = library.file("12AX7").expect("12AX7");
    let rows = compare(&library, file, None).expect("comparison");
    assert_eq!(rows.len(), 2);
    assert!((rows[0].plate_percent() + 21.0).abs() < 0.5);
    assert!((rows[1].plate_percent() + 80.0).abs() < 0.5);
    for file in library.files() {
        for row in compare(&library, file, None).expect("comparison") {
            println!(
                "{}: {} V, grid {} V: {:.3} mA (sheet {}, {:+.0} %), screen {:.2} mA (sheet {:?}), \
                 gm {:.2} (sheet {:?}), rp {:.1} (sheet {:?})",
                row.valve,
                row.sheet.plate_volts,
                row.sheet.grid_volts,
                row.plate_ma,
                row.sheet.plate_ma,
                row.plate_percent(),
                row.screen_ma,
                row.sheet.screen_ma,
                row.gm_ms,
                row.sheet.gm_ms,
                row.rp_kohm,
                row.sheet.rp_kohm,
            );
            assert!(row.plate_ma > 0.0 && row.gm_ms > 0.0 && row.rp_kohm > 0.0);
        }
    }
}

#[test]
fn wrong_names_get_the_nearest_right_one() {
    let library = library();
    let said = |e: ValveError| e.to_string();
    let e = said(library.triode("12AX8").expect_err("no such type"));
    assert!(e.contains("12AX7") || e.contains("12AY7"), "{e}");
    let e = said(library.triode("transistor").expect_err("no such type"));
    assert!(e.contains("6L6GC"), "{e}");
    let e = said(library.triode("EL34").expect_err("a pentode"));
    assert!(e.contains("not a triode"), "{e}");
    let e = said(library.pentode("12ax7").expect_err("a triode"));
    assert!(e.contains("not a pentode"), "{e}");
    let e = said(library.triode("12AX7 RSD-9").expect_err("no such set"));
    assert!(e.contains("RSD-1"), "{e}");
    assert_eq!(library.triode("12AX7 rsd-2").expect("set").name, "12AX7 rsd-2");
}

#[test]
fn user_files_are_checked() {
    let text = std::fs::read_to_string("presets/valves/12AX7.toml").expect("file");
    let mut library = Library::new();
    library.add_toml(&text, "mine.toml").expect("right");
    for (from, to, word) in [
        ("kp = 600", "kp = -600", "above zero"),
        ("kp = 600", "kq = 600", "kq"),
        ("law = \"koren\"", "law = \"korn\"", "korn"),
        ("ex = 1.4", "ex = nan", "above 1"),
        ("[triode.koren]", "[triode.koren2]", "koren2"),
    ] {
        let e = library.add_toml(&text.replace(from, to), "mine.toml").expect_err(word).to_string();
        assert!(e.contains("mine.toml") && e.contains(word), "{e}");
    }
}

fn triode_names() -> impl Strategy<Value = &'static str> {
    prop::sample::select(vec![
        "12AX7",
        "12AX7 cohen-helie",
        "12AX7 RSD-1",
        "12AX7 RSD-2",
        "12AT7",
        "12AU7",
        "12AY7",
        "6DJ8",
    ])
}

fn pentode_names() -> impl Strategy<Value = &'static str> {
    prop::sample::select(vec!["6L6GC", "EL34", "6V6GT", "EL84", "6550", "KT88"])
}

/// |analytic - numeric| within 1e-5 of the slope, or of what a step of h can resolve.
fn agree(analytic: f64, f: impl Fn(f64) -> f64, at: f64) -> Result<(), TestCaseError> {
    let h = 1e-4;
    let numeric = (f(at + h) - f(at - h)) / (2.0 * h);
    let resolution = 1e-12 / h * f(at).abs().max(1e-6) + 1e-10;
    prop_assert!(
        (analytic - numeric).abs() <= 2e-5 * numeric.abs() + resolution,
        "analytic {analytic:e}, numeric {numeric:e} at {at}"
    );
    Ok(())
}

proptest! {
    #[test]
    fn triode_derivatives(name in triode_names(), vg in -8.0..6.0f64, vp in -20.0..500.0f64) {
        // The laws of Koren bend at a plate voltage of zero and at the exponent's ceiling.
        prop_assume!(vp.abs() > 1e-3);
        let law = triode(name);
        let c = law.currents(vg, vp);
        let ceiling = 80.0 * (300.0 + vp * vp).sqrt() / 600.0;
        prop_assume!(vp < 0.0 || (vg - ceiling).abs() > 1.0 + 0.03 * vp);
        agree(c.plate_by_grid_s, |x| law.currents(x, vp).plate_a, vg)?;
        agree(c.plate_by_plate_s, |x| law.currents(vg, x).plate_a, vp)?;
        agree(c.grid_by_grid_s, |x| law.currents(x, vp).grid_a, vg)?;
        agree(c.grid_by_plate_s, |x| law.currents(vg, x).grid_a, vp)?;
    }

    #[test]
    fn pentode_derivatives(
        name in pentode_names(), vg in -60.0..7.0f64, vs in 2.0..500.0f64, vp in -30.0..600.0f64,
    ) {
        // The plate's current ends with a corner at a plate voltage of zero.
        prop_assume!(vp.abs() > 1e-3);
        let law = pentode(name);
        let c = law.currents(vg, vs, vp);
        for i in 0..3 {
            agree(c.by_voltage_s[i][0], |x| law.currents(x, vs, vp).current_a[i], vg)?;
            agree(c.by_voltage_s[i][1], |x| law.currents(vg, x, vp).current_a[i], vs)?;
            agree(c.by_voltage_s[i][2], |x| law.currents(vg, vs, x).current_a[i], vp)?;
        }
    }

    #[test]
    fn every_finite_voltage_gives_finite_currents(
        t in triode_names(), p in pentode_names(),
        a in any::<f64>(), b in any::<f64>(), c in any::<f64>(),
    ) {
        prop_assume!(a.is_finite() && b.is_finite() && c.is_finite());
        let x = triode(t).currents(a, b);
        for v in [x.plate_a, x.grid_a, x.plate_by_grid_s, x.plate_by_plate_s, x.grid_by_grid_s] {
            prop_assert!(v.is_finite());
        }
        let y = pentode(p).currents(a, b, c);
        prop_assert!(y.current_a.iter().chain(y.by_voltage_s.iter().flatten()).all(|v| v.is_finite()));
    }
}
