//! The real sound card, by way of cpal.

use std::sync::mpsc::Sender;
use std::time::Instant;

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{
    BufferSize, Device, FromSample, SampleFormat, SizedSample, Stream, StreamConfig,
    SupportedBufferSize, SupportedStreamConfigRange,
};
use serde::Serialize;

use super::error::LiveError;
use super::input::{Clocks, InputEnd};
use super::output::OutputEnd;
use super::session::{Agreed, Backend, Event};
use crate::audio::WORKING_RATES_HZ;

/// Rate and block that are asked for if the user asks for nothing.
const USUAL_RATE_HZ: u32 = 48_000;
/// What is asked for, and assumed where a device does not say.
pub const USUAL_BUFFER_FRAMES: u32 = 128;
/// Rates that are listed by name.
const COMMON_RATES_HZ: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
/// Longest block that is converted in one go.
const MOST_FRAMES: usize = 1 << 14;
/// Formats that are converted, the best first.
const FORMATS: [SampleFormat; 6] = [
    SampleFormat::F32,
    SampleFormat::I32,
    SampleFormat::I24,
    SampleFormat::I16,
    SampleFormat::F64,
    SampleFormat::U8,
];

/// What the user asked for.
#[derive(Clone, Debug, Default)]
pub struct Wish {
    /// Identifiers or parts of names; the system's default if `None`.
    pub input: Option<String>,
    pub output: Option<String>,
    /// No input is opened if a clip is played.
    pub no_input: bool,
    pub rate_hz: Option<u32>,
    pub buffer_frames: Option<u32>,
    /// Counted from 0.
    pub input_channel: usize,
    pub output_channel: Option<usize>,
    /// Whether both sides run by one clock; found out if `None`.
    pub clocks: Option<Clocks>,
}

/// Input or output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Side {
    Input,
    Output,
}

impl Side {
    fn name(self) -> &'static str {
        match self {
            Self::Input => "input",
            Self::Output => "output",
        }
    }

    fn ranges(self, device: &Device) -> Vec<SupportedStreamConfigRange> {
        match self {
            Self::Input => device.supported_input_configs().map(Iterator::collect),
            Self::Output => device.supported_output_configs().map(Iterator::collect),
        }
        .unwrap_or_default()
    }
}

/// One side, chosen.
#[derive(Clone, Debug)]
struct Chosen {
    device: Device,
    config: StreamConfig,
    format: SampleFormat,
    /// The block was asked for by the user, so nothing else will do.
    exact: bool,
}

/// A sound card, or two.
pub struct SoundCard {
    host: cpal::Host,
    wish: Wish,
    input: Option<Chosen>,
    output: Option<Chosen>,
}

/// Keeps both streams going; the callbacks end with it.
pub struct Streams {
    _input: Option<Stream>,
    _output: Stream,
}

impl SoundCard {
    /// The system's sound stack.
    pub fn new(wish: Wish) -> Self {
        Self { host: cpal::default_host(), wish, input: None, output: None }
    }

    fn find(&self, side: Side, name: Option<&str>) -> Result<Device, LiveError> {
        let Some(name) = name else {
            let default = match side {
                Side::Input => self.host.default_input_device(),
                Side::Output => self.host.default_output_device(),
            };
            return default.ok_or(LiveError::NoDevices {
                kind: side.name(),
                instead: match side {
                    Side::Input => "play a clip with --clip",
                    Side::Output => "render the job instead: presolder render",
                },
            });
        };
        let all: Vec<Device> =
            self.host.devices().map_err(|e| LiveError::Stack { what: e.to_string() })?.collect();
        let usable = |device: &&Device| match side {
            Side::Input => device.supports_input(),
            Side::Output => device.supports_output(),
        };
        // By its identifier, or by a part of its name.
        let lower = name.to_lowercase();
        let exact = all.iter().find(|d| identifier(d) == name && usable(d));
        let near = || all.iter().find(|d| label(d).to_lowercase().contains(&lower) && usable(d));
        if name == "default" && exact.is_none() {
            return self.find(side, None);
        }
        exact.or_else(near).cloned().ok_or_else(|| {
            let known: Vec<String> = all.iter().filter(usable).map(identifier).collect();
            let known = if known.is_empty() {
                "none is listed".to_owned()
            } else {
                format!("there are {}", known.join(", "))
            };
            LiveError::NoDevice { kind: side.name(), name: name.to_owned(), known }
        })
    }

    fn choose(&self, side: Side, device: Device, rate_hz: u32) -> Result<Chosen, LiveError> {
        let ranges = usable_ranges(side, &device);
        let name = label(&device);
        let channels_needed = match side {
            Side::Input => self.wish.input_channel + 1,
            Side::Output => self.wish.output_channel.map_or(1, |c| c + 1),
        };
        let most = ranges.iter().map(|r| usize::from(r.channels())).max().unwrap_or(0);
        if ranges.is_empty() {
            let what = format!("it has no {} in a format that is known here", side.name());
            return Err(LiveError::Device { device: name, what });
        }
        if channels_needed > most {
            return Err(LiveError::Channel {
                device: name,
                channel: channels_needed,
                channels: most,
            });
        }
        let enough = |r: &&SupportedStreamConfigRange| usize::from(r.channels()) >= channels_needed;
        let fits: Vec<_> =
            ranges.iter().filter(enough).filter(|r| r.contains_rate(rate_hz)).collect();
        // Two channels for loudspeakers, as few as possible for the guitar; then the best format.
        let wanted = if side == Side::Output { 2 } else { channels_needed };
        let order = |r: &SupportedStreamConfigRange| {
            let channels = usize::from(r.channels());
            let format = FORMATS.iter().position(|f| *f == r.sample_format());
            (channels < wanted, channels.abs_diff(wanted), format)
        };
        let Some(best) = fits.into_iter().min_by_key(|r| order(r)) else {
            let offers = rates(&ranges);
            return Err(LiveError::Rate { device: name, rate_hz, offers });
        };
        let buffer_size = self.buffer(&name, best.buffer_size())?;
        let config = StreamConfig { channels: best.channels(), sample_rate: rate_hz, buffer_size };
        let exact = self.wish.buffer_frames.is_some();
        Ok(Chosen { device, config, format: best.sample_format(), exact })
    }

    fn buffer(&self, device: &str, range: &SupportedBufferSize) -> Result<BufferSize, LiveError> {
        let wish = self.wish.buffer_frames;
        Ok(match (range, wish) {
            (SupportedBufferSize::Range { min, max }, Some(frames)) => {
                if !(*min..=*max).contains(&frames) {
                    let offers = format!("{min} to {max} frames");
                    return Err(LiveError::Buffer { device: device.to_owned(), frames, offers });
                }
                BufferSize::Fixed(frames)
            }
            (SupportedBufferSize::Range { min, max }, None) => {
                BufferSize::Fixed(USUAL_BUFFER_FRAMES.clamp(*min, (*max).max(*min)))
            }
            (SupportedBufferSize::Unknown, wish) => {
                BufferSize::Fixed(wish.unwrap_or(USUAL_BUFFER_FRAMES))
            }
        })
    }

    /// Rate of the wish; else the usual one if all devices have it, else the output's own.
    fn rate_hz(&self, output: &Device, input: Option<&Device>) -> Result<u32, LiveError> {
        if let Some(rate_hz) = self.wish.rate_hz {
            return Ok(rate_hz);
        }
        let have = |side, device: &Device, rate_hz| {
            usable_ranges(side, device).iter().any(|r| r.contains_rate(rate_hz))
        };
        let all_have = |rate_hz: u32| {
            have(Side::Output, output, rate_hz)
                && input.is_none_or(|d| have(Side::Input, d, rate_hz))
        };
        let mut rates = vec![USUAL_RATE_HZ];
        rates.extend(output.default_output_config().map(|c| c.sample_rate()));
        rates.extend(COMMON_RATES_HZ);
        rates.into_iter().find(|&r| WORKING_RATES_HZ.contains(&r) && all_have(r)).ok_or_else(|| {
            LiveError::Device {
                device: label(output),
                what: "input and output have no rate from 44.1 to 192 kHz in common".to_owned(),
            }
        })
    }
}

fn usable_ranges(side: Side, device: &Device) -> Vec<SupportedStreamConfigRange> {
    let mut ranges = side.ranges(device);
    ranges.retain(|r| FORMATS.contains(&r.sample_format()) && r.channels() > 0);
    ranges
}

/// What `--input` and `--output` take.
fn identifier(device: &Device) -> String {
    device.id().map_or_else(|_| device.to_string(), |id| id.id().to_owned())
}

/// The name that people know it by.
fn label(device: &Device) -> String {
    let name = device.to_string();
    let first = name.lines().next().unwrap_or_default();
    if first.is_empty() { identifier(device) } else { first.to_owned() }
}

fn rates(ranges: &[SupportedStreamConfigRange]) -> String {
    let list = common_rates(ranges);
    if !list.is_empty() {
        let list: Vec<String> = list.iter().map(|r| format!("{r} Hz")).collect();
        return list.join(", ");
    }
    let low = ranges.iter().map(SupportedStreamConfigRange::min_sample_rate).min().unwrap_or(0);
    let high = ranges.iter().map(SupportedStreamConfigRange::max_sample_rate).max().unwrap_or(0);
    format!("{low} to {high} Hz")
}

fn common_rates(ranges: &[SupportedStreamConfigRange]) -> Vec<u32> {
    COMMON_RATES_HZ.into_iter().filter(|&r| ranges.iter().any(|c| c.contains_rate(r))).collect()
}

fn failed(device: &Device, error: &cpal::Error) -> LiveError {
    LiveError::Device { device: label(device), what: error.to_string() }
}

impl Backend for SoundCard {
    type Running = Streams;

    fn agree(&mut self) -> Result<Agreed, LiveError> {
        let output = self.find(Side::Output, self.wish.output.as_deref())?;
        let input = if self.wish.no_input {
            None
        } else {
            Some(self.find(Side::Input, self.wish.input.as_deref())?)
        };
        let rate_hz = self.rate_hz(&output, input.as_ref())?;
        let output = self.choose(Side::Output, output, rate_hz)?;
        let input = input.map(|d| self.choose(Side::Input, d, rate_hz)).transpose()?;
        // One card by its own name runs by one clock; behind a name such as `default` may be two.
        let virtual_name = |id: &str| !id.starts_with("hw:") && !id.starts_with("plughw:");
        let clocks = self.wish.clocks.unwrap_or_else(|| match &input {
            Some(i) => {
                let (a, b) = (identifier(&i.device), identifier(&output.device));
                let known = !cfg!(target_os = "linux") || !virtual_name(&a);
                if a == b && known { Clocks::One } else { Clocks::Two }
            }
            None => Clocks::One,
        });
        let agreed = Agreed {
            sample_rate_hz: rate_hz,
            clocks,
            input: input.as_ref().map(|i| label(&i.device)),
            output: label(&output.device),
            buffer_frames: match output.config.buffer_size {
                BufferSize::Fixed(frames) => Some(frames),
                BufferSize::Default => None,
            },
        };
        (self.input, self.output) = (input, Some(output));
        Ok(agreed)
    }

    fn open(
        &mut self,
        _: &Agreed,
        input: Option<InputEnd>,
        output: OutputEnd,
        events: Sender<Event>,
    ) -> Result<Streams, LiveError> {
        let epoch = Instant::now();
        let Some(chosen) = &self.output else {
            return Err(LiveError::Stack { what: "no output was chosen".to_owned() });
        };
        // The input first, so that there is something to draw from.
        let input = match (input, &self.input) {
            (Some(end), Some(chosen)) => Some(open_input(chosen, end, events.clone(), epoch)?),
            _ => None,
        };
        let output = open_output(chosen, output, events, epoch)?;
        if let (Some(stream), Some(chosen)) = (&input, &self.input) {
            stream.play().map_err(|e| failed(&chosen.device, &e))?;
        }
        output.play().map_err(|e| failed(&chosen.device, &e))?;
        Ok(Streams { _input: input, _output: output })
    }
}

/// What the sound stack reports while it runs. This is not the audio callback: it may allocate.
fn on_error(events: Sender<Event>) -> impl FnMut(cpal::Error) + Send + 'static {
    move |error| {
        let event = match error.kind() {
            cpal::ErrorKind::Xrun => Event::Gap,
            cpal::ErrorKind::DeviceChanged => Event::Note(error.to_string()),
            cpal::ErrorKind::RealtimeDenied => Event::Note(
                "the system gives sound no priority over other programs, so there may be gaps under \
                 load; on Linux, add yourself to the group that may (often `audio`)"
                    .to_owned(),
            ),
            _ => Event::Lost(error.to_string()),
        };
        // Nobody listens any more when the program ends.
        let _ = events.send(event);
    }
}

/// Blocks that may be tried: what was asked for, and if that was our own idea, the device's.
fn configs(chosen: &Chosen) -> Vec<StreamConfig> {
    let mut all = vec![chosen.config];
    if !chosen.exact {
        all.push(StreamConfig { buffer_size: BufferSize::Default, ..chosen.config });
    }
    all
}

macro_rules! with_format {
    ($format:expr, $run:ident($($argument:expr),*)) => {
        match $format {
            SampleFormat::I32 => $run::<i32>($($argument),*),
            SampleFormat::I24 => $run::<cpal::I24>($($argument),*),
            SampleFormat::I16 => $run::<i16>($($argument),*),
            SampleFormat::F64 => $run::<f64>($($argument),*),
            SampleFormat::U8 => $run::<u8>($($argument),*),
            _ => $run::<f32>($($argument),*),
        }
    };
}

fn open_input(
    chosen: &Chosen,
    end: InputEnd,
    events: Sender<Event>,
    epoch: Instant,
) -> Result<Stream, LiveError> {
    let config = settle(chosen, Side::Input)?;
    with_format!(chosen.format, input_stream(&chosen.device, config, end, events, epoch))
        .map_err(|e| failed(&chosen.device, &e))
}

fn open_output(
    chosen: &Chosen,
    end: OutputEnd,
    events: Sender<Event>,
    epoch: Instant,
) -> Result<Stream, LiveError> {
    let config = settle(chosen, Side::Output)?;
    with_format!(chosen.format, output_stream(&chosen.device, config, end, events, epoch))
        .map_err(|e| failed(&chosen.device, &e))
}

/// The first configuration that the device takes, found by opening it for a moment: a stream that
/// cannot be built takes its callback with it.
fn settle(chosen: &Chosen, side: Side) -> Result<StreamConfig, LiveError> {
    let mut last = None;
    for config in configs(chosen) {
        let (device, format) = (&chosen.device, chosen.format);
        let tried = match side {
            Side::Input => {
                device.build_input_stream_raw(config, format, |_, _| {}, |_| {}, None).map(drop)
            }
            Side::Output => {
                device.build_output_stream_raw(config, format, |_, _| {}, |_| {}, None).map(drop)
            }
        };
        match tried {
            Ok(()) => return Ok(config),
            Err(error) => last = Some(error),
        }
    }
    Err(match last {
        Some(error) => failed(&chosen.device, &error),
        None => LiveError::Stack { what: "no configuration to try".to_owned() },
    })
}

fn input_stream<T>(
    device: &Device,
    config: StreamConfig,
    mut end: InputEnd,
    events: Sender<Event>,
    epoch: Instant,
) -> Result<Stream, cpal::Error>
where
    T: SizedSample,
    f32: FromSample<T>,
{
    let channels = usize::from(config.channels);
    let mut scratch = vec![0.0f32; MOST_FRAMES * channels];
    let call = move |samples: &[T], _: &cpal::InputCallbackInfo| {
        let at_s = epoch.elapsed().as_secs_f64();
        for part in samples.chunks(scratch.len()) {
            let converted = &mut scratch[..part.len()];
            for (y, x) in converted.iter_mut().zip(part) {
                *y = f32::from_sample_(*x);
            }
            end.take(converted, channels, at_s);
        }
    };
    device.build_input_stream(config, call, on_error(events), None)
}

fn output_stream<T>(
    device: &Device,
    config: StreamConfig,
    mut end: OutputEnd,
    events: Sender<Event>,
    epoch: Instant,
) -> Result<Stream, cpal::Error>
where
    T: SizedSample + FromSample<f32>,
{
    let channels = usize::from(config.channels);
    let mut scratch = vec![0.0f32; MOST_FRAMES * channels];
    let call = move |samples: &mut [T], _: &cpal::OutputCallbackInfo| {
        let at_s = epoch.elapsed().as_secs_f64();
        for part in samples.chunks_mut(scratch.len()) {
            let block = &mut scratch[..part.len()];
            end.fill(block, channels, at_s);
            for (y, x) in part.iter_mut().zip(block.iter()) {
                *y = T::from_sample_(*x);
            }
        }
    };
    device.build_output_stream(config, call, on_error(events), None)
}

/// One side of a listed device.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ListedSide {
    pub most_channels: u16,
    pub rates_hz: Vec<u32>,
    pub formats: Vec<String>,
    /// Smallest and largest block, if the device tells.
    pub buffer_frames: Option<[u32; 2]>,
    pub is_default: bool,
}

/// A device as `--devices` lists it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Listed {
    /// What `--input` and `--output` take.
    pub id: String,
    pub name: String,
    pub input: Option<ListedSide>,
    pub output: Option<ListedSide>,
}

/// All devices that can be opened.
///
/// # Errors
/// [`LiveError::Stack`] if the sound stack does not answer.
pub fn list_devices() -> Result<Vec<Listed>, LiveError> {
    let host = cpal::default_host();
    let default_id = |device: Option<Device>| device.map(|d| identifier(&d));
    let defaults =
        [default_id(host.default_input_device()), default_id(host.default_output_device())];
    let mut all: Vec<Device> =
        host.devices().map_err(|e| LiveError::Stack { what: e.to_string() })?.collect();
    for default in [host.default_input_device(), host.default_output_device()].into_iter().flatten()
    {
        if !all.iter().any(|d| identifier(d) == identifier(&default)) {
            all.insert(0, default);
        }
    }
    let side = |device: &Device, side: Side| {
        let ranges = usable_ranges(side, device);
        let id = identifier(device);
        let mut formats: Vec<String> = Vec::new();
        for format in FORMATS {
            if ranges.iter().any(|r| r.sample_format() == format) {
                formats.push(format.to_string());
            }
        }
        let sizes = ranges.iter().filter_map(|r| match r.buffer_size() {
            SupportedBufferSize::Range { min, max } => Some([*min, *max]),
            SupportedBufferSize::Unknown => None,
        });
        let buffer_frames = sizes.reduce(|a, b| [a[0].min(b[0]), a[1].max(b[1])]);
        let most_channels = ranges.iter().map(SupportedStreamConfigRange::channels).max()?;
        let default = &defaults[usize::from(side == Side::Output)];
        Some(ListedSide {
            most_channels,
            rates_hz: common_rates(&ranges),
            formats,
            buffer_frames,
            is_default: default.as_ref() == Some(&id),
        })
    };
    let listed = all.iter().map(|device| Listed {
        id: identifier(device),
        name: label(device),
        input: side(device, Side::Input),
        output: side(device, Side::Output),
    });
    Ok(listed.filter(|l| l.input.is_some() || l.output.is_some()).collect())
}
