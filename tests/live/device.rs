//! A device that goes away and comes back.

use std::time::{Duration, Instant};

use presolder::audio::{ChannelChoice, read_wav};
use presolder::live::{
    Board, Clocks, Event, Looped, OutputChannels, Plan, Session, Settings, match_versions,
};
use presolder::render::RenderPath;
use presolder::units::Position;

use crate::common::{RATE, RATE_HZ, chords, demo};
use crate::simulated::Simulated;

fn session(record: Option<std::path::PathBuf>) -> (Session<Simulated>, crate::simulated::Shared) {
    let volts = chords(2.0);
    let states = demo();
    let path = RenderPath::Linear;
    let gains = match_versions(&states, path, &volts, RATE_HZ).expect("gains");
    let board = Board::new(states, &gains, path, RATE, Settings::default()).expect("a board");
    let plan = Plan {
        clip: Some(Looped::new(&volts, 1.0, RATE)),
        full_scale_volts: 2.0,
        input_channel: 0,
        output_channels: OutputChannels::All,
        record,
        force: false,
    };
    let device = Simulated::new(RATE_HZ, Clocks::One);
    let (agreed, parts) = (device.agreed.clone(), device.parts.clone());
    (Session::start(device, agreed, board, plan).expect("it starts"), parts)
}

fn play(parts: &crate::simulated::Shared, blocks: usize) -> Vec<f32> {
    let mut parts = parts.lock().expect("the parts");
    let output = &mut parts.as_mut().expect("it runs").output;
    let mut all = Vec::new();
    let mut block = [0.0f32; 256];
    for _ in 0..blocks {
        output.fill(&mut block, 1, 0.0);
        all.extend_from_slice(&block);
    }
    all
}

fn wait_for(session: &mut Session<Simulated>, words: &str) -> Vec<String> {
    let start = Instant::now();
    let mut all = Vec::new();
    loop {
        all.extend(session.poll());
        if all.iter().any(|w| w.contains(words)) {
            return all;
        }
        assert!(start.elapsed() < Duration::from_secs(20), "{words} is not in {all:?}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

#[test]
fn a_lost_device_ends_with_whole_files_and_goes_on_when_it_returns() {
    let folder = tempfile::tempdir().expect("a folder");
    let (mut session, parts) = session(Some(folder.path().join("take.wav")));
    session.board.choose(1);
    let first = play(&parts, 400);
    // Faded in from nothing.
    assert!(first[0] == 0.0 && first[..480].iter().all(|y| y.abs() < 0.01));
    assert!(first.iter().any(|y| y.abs() > 0.05));

    session.backend().plugged = false;
    let events = parts.lock().expect("the parts").as_ref().expect("it runs").events.clone();
    events.send(Event::Gap).expect("heard");
    events.send(Event::Lost("the plug was pulled".to_owned())).expect("heard");
    let words = wait_for(&mut session, "waiting for it to return");
    assert!(words[0].contains("simulated output is gone: the plug was pulled"), "{words:?}");
    assert!(words[1].contains("recorded 2.1 s"), "{words:?}");
    assert!(parts.lock().expect("the parts").is_none() && !session.is_running());
    assert_eq!(session.meters.device_gaps.get(), 1);
    let clip = read_wav(&folder.path().join("take-wet.wav"), ChannelChoice::Mix).expect("whole");
    assert_eq!(clip.samples.len(), 400 * 256);
    assert!(clip.samples.iter().zip(&first).all(|(a, b)| *a == f64::from(*b)));

    session.backend().plugged = true;
    wait_for(&mut session, "simulated output is back");
    assert!(session.is_running() && !session.has_ended());
    let second = play(&parts, 400);
    assert!(second[0] == 0.0 && second.iter().any(|y| y.abs() > 0.05));
    assert_eq!(session.meters.version.get(), 1, "the same version is on");
    let (recordings, unrecorded) = session.stop();
    assert!(unrecorded.is_none(), "{unrecorded:?}");
    let [first, recorded] = &recordings[..] else { panic!("two recordings: {recordings:?}") };
    assert!(first.wet.ends_with("take-wet.wav") && recorded.wet.ends_with("take-2-wet.wav"));
    assert_eq!(recorded.frames, 400 * 256);
    assert!(recorded.dry.exists() && recorded.wet.exists());
    // Nothing else is left behind.
    assert_eq!(std::fs::read_dir(folder.path()).expect("the folder").count(), 4);
}

/// In the environment of the run that has little room for files.
#[cfg(unix)]
const LIMITED: &str = "PRESOLDER_TEST_LIMITED";

/// A disk that becomes full: the sound goes on as if nothing were recorded, what was written until then is
/// kept, dry and wet of one length, and a person is told so at once and at the end. A limit on the size of
/// files stands for the full disk, and it holds for a process: the test runs itself once more under it.
#[cfg(unix)]
#[test]
fn a_full_disk_ends_the_recording_and_not_the_sound() {
    if std::env::var_os(LIMITED).is_none() {
        let program = std::env::current_exe().expect("this program");
        let name = "device::a_full_disk_ends_the_recording_and_not_the_sound";
        // Blocks of 512 or 1024 bytes: half a second of each file, or a whole one.
        let script = format!(
            "trap '' XFSZ; ulimit -f 200; exec '{}' --exact {name} --nocapture",
            program.display()
        );
        let output = std::process::Command::new("sh")
            .args(["-c", &script])
            .env(LIMITED, "1")
            .output()
            .expect("a shell");
        let said = String::from_utf8_lossy(&output.stdout);
        let complained = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success() && said.contains("1 passed"), "{said}{complained}");
        return;
    }
    let (undisturbed, parts) = session(None);
    let expected = play(&parts, 800);
    drop(undisturbed);

    let folder = tempfile::tempdir().expect("a folder");
    let (mut recorded, parts) = session(Some(folder.path().join("take.wav")));
    let mut heard = play(&parts, 400);
    let words = wait_for(&mut recorded, "the sound goes on");
    heard.extend(play(&parts, 400));
    assert!(heard == expected, "the sound is another");
    let word = words.iter().find(|w| w.contains("the sound goes on")).expect("it is said");
    assert!(word.contains("it ends there") && word.contains("cannot be written"), "{word}");
    assert!(recorded.is_running() && recorded.recorded_frames().is_none());
    let (recordings, unrecorded) = recorded.stop();
    assert!(unrecorded.is_none(), "{unrecorded:?}");
    let [kept] = &recordings[..] else { panic!("one recording: {recordings:?}") };
    assert!(word.starts_with(&kept.to_string()), "{word}");
    let seconds = kept.frames as f64 / f64::from(kept.sample_rate_hz);
    assert!((0.3..1.2).contains(&seconds), "{seconds} s");
    for name in [&kept.dry, &kept.wet] {
        let clip = read_wav(name, ChannelChoice::Mix).expect("a whole file");
        assert_eq!(clip.samples.len() as u64, kept.frames);
        // An independent reader thinks so, too.
        let frames = hound::WavReader::open(name).expect("a file").duration();
        assert_eq!(u64::from(frames), kept.frames);
    }
    let wet = read_wav(&kept.wet, ChannelChoice::Mix).expect("a whole file").samples;
    let heard = heard.iter().map(|y| f64::from(*y));
    assert!(wet.iter().copied().eq(heard.take(wet.len())), "what is kept is what was heard");
    assert_eq!(std::fs::read_dir(folder.path()).expect("the folder").count(), 2);
}

/// A device that returns at another rate is not played at the wrong one.
#[test]
fn another_rate_is_refused() {
    let (mut session, parts) = session(None);
    play(&parts, 10);
    session.backend().agreed.sample_rate_hz = 44_100;
    let events = parts.lock().expect("the parts").as_ref().expect("it runs").events.clone();
    events.send(Event::Lost("gone".to_owned())).expect("heard");
    wait_for(&mut session, "back, but at 44100 Hz instead of 48000 Hz");
    assert!(session.has_ended());
}

/// From a key to what is heard: the board asks the planner, hands the voice over, drops the old one.
#[test]
fn a_knob_is_heard() {
    let (mut session, parts) = session(None);
    session.board.set_matched(false);
    play(&parts, 400);
    let control = "volume";
    let loud = |x: &[f32]| x.iter().map(|y| f64::from(y * y)).sum::<f64>();
    let before = loud(&play(&parts, 375));
    assert!(session.board.turn("no such knob", Position::MIN).is_err());
    session.board.set_together(true);
    session.board.turn(control, Position::MIN).expect("the control");
    let start = Instant::now();
    let mut after = before;
    // One round of the clip at a time, until the new circuit is planned and heard.
    while after > 1e-3 * before {
        assert!(start.elapsed() < Duration::from_secs(60), "{after} of {before}");
        std::thread::sleep(Duration::from_millis(20));
        assert!(session.poll().is_empty());
        after = loud(&play(&parts, 375));
    }
    for version in session.board.versions() {
        assert_eq!(version.state().positions()[control], Position::MIN);
    }
}
