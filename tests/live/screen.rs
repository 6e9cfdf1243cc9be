//! The screen, drawn into memory.

use presolder::live::screen::{Look, action, draw};
use presolder::live::{Action, Delay, Grid, Knob, View};
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::crossterm::event::{KeyCode, KeyModifiers};

fn view() -> View {
    let knob = |name: &str, label: &str, number: f64, clock: &str| Knob {
        name: name.to_owned(),
        label: label.to_owned(),
        number,
        clock: clock.to_owned(),
    };
    View {
        title: "Less boom, more middle".to_owned(),
        path: "driven, standard".to_owned(),
        sample_rate_hz: 48_000,
        input: "Interface, first input".to_owned(),
        output: "Interface, outputs".to_owned(),
        running: true,
        versions: ["as received", "low-end trim", "trim and middle control"]
            .map(str::to_owned)
            .to_vec(),
        on: 1,
        knobs: vec![
            knob("volume", "Volume", 4.5, "11:30"),
            knob("treble", "Treble", 5.0, "12:00"),
            knob("bass", "Bass", 10.0, "5:00"),
        ],
        matched: true,
        muted: false,
        limiter: true,
        together: false,
        volume_db: -3.0,
        input_volts: 0.42,
        full_scale_volts: 2.0,
        input_clipped: 3,
        output_peak: 0.5,
        output_over: 0,
        limiter_db: -2.5,
        grids: vec![
            Grid { valve: "V1A".to_owned(), conducting: 0.0 },
            Grid { valve: "V2".to_owned(), conducting: 0.12 },
        ],
        load_median: Some(0.31),
        load_most: Some(0.46),
        late: 0,
        gaps: 1,
        input_gaps: 2,
        troubles: 0,
        delay: Delay {
            waiting_frames: 192.0,
            resampler_frames: 32,
            amp_frames: 60,
            output_frames: 128,
        },
        drift_ppm: Some(-12.3),
        recorded_s: Some(61.0),
        unrecorded_frames: 0,
    }
}

fn drawn(view: &View, look: &Look, width: u16, height: u16) -> String {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).expect("a terminal");
    terminal.draw(|frame| draw(frame, view, look)).expect("drawn");
    let buffer = terminal.backend().buffer();
    let mut text = String::new();
    for row in 0..height {
        let line: String = (0..width).map(|column| buffer[(column, row)].symbol()).collect();
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

#[test]
fn everything_is_on_the_screen() {
    let look = Look { knob: 1, messages: vec!["Interface is back".to_owned()] };
    // The size of the oldest terminals.
    let text = drawn(&view(), &look, 80, 24);
    println!("{text}");
    for words in [
        "playing  Less boom, more middle  driven, standard, 48000 Hz  recording 61 s",
        "> 2 low-end trim",
        "  3 trim and middle control",
        "versions, equally loud",
        "> Treble        5.00  12:00  ########--------",
        "0.420 V",
        "CLIPPED 3",
        "-6.0 dB",
        "LIMITED -2.5 dB",
        "volume -3.0 dB",
        " V1A  V2 12 % ",
        "load 31 %, 99.9 % of blocks within 46 %, 0 late; gaps 1, input missing 2",
        "delay 8.6 ms + converters: waiting 4.0, resampler 0.7, amp 1.2, block 2.7",
        "-12.3 ppm, made up for; 0 steps unsolved; 0 unrecorded",
        "Never plug a speaker output of an amplifier into an interface.",
        "Interface is back",
    ] {
        assert!(text.contains(words), "{words:?} is not on the screen:\n{text}");
    }
    let mut gone = view();
    (gone.running, gone.drift_ppm, gone.grids) = (false, None, vec![]);
    let text = drawn(&gone, &Look::default(), 110, 28);
    assert!(text.contains("NO DEVICE") && text.contains("one clock"), "{text}");
    // Small and odd sizes lose words, never the program.
    for (width, height) in [(1, 1), (10, 3), (40, 12), (300, 100)] {
        drawn(&view(), &Look { knob: 99, messages: vec![String::new(); 40] }, width, height);
    }
}

#[test]
fn keys_mean_what_the_screen_says() {
    let (view, mut look) = (view(), Look::default());
    let none = KeyModifiers::NONE;
    let mut press = |code, modifiers| action(code, modifiers, &view, &mut look);
    assert_eq!(press(KeyCode::Char('3'), none), Some(Action::Choose(2)));
    assert_eq!(press(KeyCode::Tab, none), Some(Action::Step(1)));
    let by = |control: &str, by: f64| Some(Action::TurnBy { control: control.to_owned(), by });
    assert_eq!(press(KeyCode::Right, none), by("volume", 0.1));
    assert_eq!(press(KeyCode::Down, none), None);
    assert_eq!(press(KeyCode::Left, KeyModifiers::SHIFT), by("treble", -0.5));
    for _ in 0..9 {
        press(KeyCode::Down, none);
    }
    assert_eq!(press(KeyCode::Right, none), by("bass", 0.1));
    assert_eq!(press(KeyCode::Char(' '), none), Some(Action::Muted(None)));
    assert_eq!(press(KeyCode::Char('c'), none), Some(Action::Clear));
    assert_eq!(press(KeyCode::Char('c'), KeyModifiers::CONTROL), Some(Action::Quit));
    assert_eq!(press(KeyCode::Char('x'), none), None);
}
