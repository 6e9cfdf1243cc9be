//! The audition page from outside: size, escaping, policy, refusals, and its life in a browser.

#[path = "../examples/audition_page/invented.rs"]
mod invented;

use std::path::Path;
use std::process::Command;

use presolder::page::model::{Change, PageModel, Take, Version};
use presolder::page::{PageError, write_page};

/// A model with hostile text in every place that a job file can reach.
fn hostile(text: &str) -> PageModel {
    let mut model = invented::job(1.0);
    model.title = text.to_owned();
    model.amp = text.to_owned();
    model.owner = text.to_owned();
    model.story = format!("{text}\n\n{text}");
    model.technician.name = Some(text.to_owned());
    model.technician.email = Some(text.to_owned());
    model.safety_words = text.to_owned();
    model.job_digest = text.to_owned();
    for version in &mut model.versions {
        version.name = text.to_owned();
        version.note = text.to_owned();
        version.changes = vec![Change { what: text.to_owned(), effect: text.to_owned() }];
        for control in &mut version.controls {
            control.label = text.to_owned();
        }
    }
    for clip in &mut model.clips {
        clip.name = text.to_owned();
        clip.note = text.to_owned();
    }
    if let Some(response) = &mut model.response {
        response.reference = text.to_owned();
        for string in &mut response.strings {
            string.name = text.to_owned();
        }
        if let Some(speaker) = &mut response.speaker {
            speaker.note = text.to_owned();
        }
    }
    for verdict in &mut model.verdicts {
        verdict.text = text.to_owned();
    }
    if let Some(break_up) = &mut model.break_up {
        break_up.summary = text.to_owned();
        for row in &mut break_up.rows {
            row.first_stage = text.to_owned();
        }
    }
    for dial in &mut model.dials {
        dial.here = text.to_owned();
        dial.there = text.to_owned();
        dial.notes = vec![text.to_owned()];
    }
    model
}

const HOSTILE: &str =
    "</script><script>broken=1</script><img src=x onerror=\"broken=1\">'\"&<!--{{script}}";

#[test]
fn a_job_of_four_versions_and_twelve_seconds_stays_below_8_megabytes() {
    let mut model = invented::job(12.0);
    model.clips.truncate(1);
    let page = write_page(&model).unwrap();
    let megabytes = page.html.len() as f64 / 1e6;
    println!("four versions, three differences, 12 s at 48 kHz: {megabytes:.2} MB");
    assert!(megabytes < 8.0, "{megabytes} MB");
    assert_eq!(page.sounds, 7);
}

#[test]
fn even_noise_that_no_encoder_can_pack_stays_below_8_megabytes() {
    // Four versions and one difference of full-scale white noise: the worst there is.
    let mut model = invented::job(1.0);
    model.clips.truncate(1);
    let mut state = 1_u64;
    let mut noise = || {
        let samples = (0..12 * 48_000).map(|_| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (state >> 40) as f32 / 8_388_608.0 - 1.0
        });
        samples.collect::<Vec<f32>>()
    };
    let clip = &mut model.clips[0];
    clip.takes = (0..4).map(|_| Take { samples: noise(), ..Take::default() }).collect();
    clip.differences.truncate(1);
    clip.differences[0].samples = noise();
    let page = write_page(&model).unwrap();
    let megabytes = page.html.len() as f64 / 1e6;
    println!("the same of white noise, one difference: {megabytes:.2} MB");
    assert!(megabytes < 8.0, "{megabytes} MB");
}

#[test]
fn the_same_job_gives_the_same_bytes() {
    let model = invented::job(1.0);
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    let two = rayon::ThreadPoolBuilder::new().num_threads(2).build().unwrap();
    let first = one.install(|| write_page(&model)).unwrap().html;
    let second = two.install(|| write_page(&model)).unwrap().html;
    assert!(first == second);
}

#[test]
fn text_from_a_job_stays_text() {
    let plain = write_page(&invented::job(1.0)).unwrap().html;
    let page = write_page(&hostile(HOSTILE)).unwrap().html;
    for tag in ["<script", "</script", "<img", "<!--", "<style", "</style"] {
        assert_eq!(page.matches(tag).count(), plain.matches(tag).count(), "{tag}");
    }
    assert!(page.contains("<h1>&lt;/script&gt;&lt;script&gt;broken=1"));
    assert!(page.contains("{{script}}"), "text that looks like a place must stay");
    // Nothing ends an attribute either: every quote that came in was replaced.
    assert!(!page.contains("onerror=\""));
}

#[test]
fn the_page_asks_no_host_for_anything() {
    let page = write_page(&invented::job(1.0)).unwrap().html;
    let before_data = page.split("<script type=\"application/json\"").next().unwrap();
    for word in ["http:", "https:", "src=", "url(", "@import", " style="] {
        assert!(!before_data.contains(word), "{word}");
    }
    let policy = page.split("Content-Security-Policy\" content=\"").nth(1).unwrap();
    let policy = policy.split('"').next().unwrap();
    assert!(policy.starts_with("default-src 'none'; script-src 'sha256-"));
    assert!(!policy.contains("unsafe") && !policy.contains('*') && !policy.contains("data:"));
}

#[test]
fn a_model_that_contradicts_itself_is_refused_with_words() {
    type Spoil = fn(&mut PageModel);
    let cases: [(Spoil, &str); 11] = [
        (|m| m.versions.clear(), "no version"),
        (|m| m.clips[0].takes.truncate(1), "1 takes for 4 versions"),
        (|m| m.clips[0].takes[1].samples.truncate(7), "equally long"),
        (|m| m.clips[0].takes[1].samples[5] = f32::NAN, "sample 5 is NaN"),
        (|m| m.clips[0].takes[2].matched_gain_db = f64::INFINITY, "not finite"),
        (|m| m.clips[0].sample_rate_hz = 192_000, "resample"),
        (|m| m.clips[0].differences[0].after = 9, "a version that isn't there"),
        (|m| m.versions[1].controls[0].position = 11.0, "must be 0 to 10"),
        (|m| m.response.as_mut().unwrap().curves[0].level_db[3] = f64::NAN, "not finite"),
        (|m| m.response.as_mut().unwrap().frequencies_hz.reverse(), "must rise"),
        (|m| m.response.as_mut().unwrap().curves[0].version = 4, "isn't there"),
    ];
    for (spoil, words) in cases {
        let mut model = invented::job(0.5);
        spoil(&mut model);
        match write_page(&model) {
            Err(error @ PageError::Model { .. }) => {
                assert!(error.to_string().contains(words), "{error} lacks {words}");
            }
            other => panic!("{words}: {other:?}"),
        }
    }
}

#[test]
fn a_page_with_next_to_nothing_still_is_a_page() {
    let model = PageModel {
        title: "Bare".to_owned(),
        versions: vec![Version { name: "only".to_owned(), ..Version::default() }],
        ..PageModel::default()
    };
    let page = write_page(&model).unwrap().html;
    assert!(page.contains("has no clips") && page.contains("has no curves"));
}

/// Runs `tests/page/*.test.mjs`: playing, switching, repeating, the trial, keys, accessibility,
/// printing and screenshots in Debian's Chromium.
#[test]
#[ignore = "needs node and chromium; ./scripts/test runs it"]
fn the_page_lives_in_a_browser() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/page");
    assert!(
        here.join("node_modules/playwright-core").is_dir(),
        "run `npm ci` in tests/page first, as ./scripts/test does"
    );
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("page");
    std::fs::create_dir_all(&folder).unwrap();
    let mut small = invented::job(3.0);
    small.title = HOSTILE.to_owned();
    let bare = PageModel {
        title: "Bare".to_owned(),
        versions: vec![Version { name: "only".to_owned(), ..Version::default() }],
        ..PageModel::default()
    };
    for (name, model) in [
        ("job", invented::job(6.0)),
        ("hostile", small),
        ("hostile-all", hostile(HOSTILE)),
        ("bare", bare),
    ] {
        let page = write_page(&model).unwrap();
        std::fs::write(folder.join(format!("{name}.html")), page.html).unwrap();
    }
    let status = Command::new("node")
        .args(["--test", "--test-concurrency=1"])
        .args(["sound.test.mjs", "sheet.test.mjs"])
        .current_dir(&here)
        .env("PAGES", &folder)
        .status()
        .expect("node must be installed; ./scripts/test installs it");
    assert!(status.success(), "the browser tests failed; their output is above");
}
