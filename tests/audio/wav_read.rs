//! Files written by the crate `hound`, by hand after the RIFF specification, and broken ones.

use std::fs;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavSpec, WavWriter};
use presolder::audio::{AudioError, ChannelChoice, Clip, Encoding, WavReader, read_wav};
use tempfile::tempdir;

fn parse(bytes: &[u8], choice: ChannelChoice) -> Result<Clip, AudioError> {
    Clip::from_wav_bytes(bytes, Path::new("take.wav"), choice)
}

fn refused(bytes: &[u8]) -> AudioError {
    let error = parse(bytes, ChannelChoice::Mix).expect_err("a bad file");
    assert!(error.to_string().starts_with("take.wav: "), "{error}");
    assert!(error.is_users());
    error
}

/// A file after the RIFF specification: chunks with their padding, sizes as they should be.
fn riff(chunks: &[(&[u8; 4], Vec<u8>)]) -> Vec<u8> {
    let mut body = b"WAVE".to_vec();
    for (name, bytes) in chunks {
        body.extend_from_slice(*name);
        body.extend_from_slice(&(bytes.len() as u32).to_le_bytes());
        body.extend_from_slice(bytes);
        if bytes.len() % 2 == 1 {
            body.push(0);
        }
    }
    let mut file = b"RIFF".to_vec();
    file.extend_from_slice(&(body.len() as u32).to_le_bytes());
    file.extend_from_slice(&body);
    file
}

fn fmt(tag: u16, channels: u16, rate_hz: u32, bits: u16) -> Vec<u8> {
    let frame_bytes = channels * bits.div_ceil(8);
    let mut bytes = Vec::new();
    bytes.extend_from_slice(&tag.to_le_bytes());
    bytes.extend_from_slice(&channels.to_le_bytes());
    bytes.extend_from_slice(&rate_hz.to_le_bytes());
    bytes.extend_from_slice(&rate_hz.wrapping_mul(u32::from(frame_bytes)).to_le_bytes());
    bytes.extend_from_slice(&frame_bytes.to_le_bytes());
    bytes.extend_from_slice(&bits.to_le_bytes());
    bytes
}

/// The extensible form: container of `bits`, of which `valid` count.
fn fmt_extensible(tag: u16, channels: u16, rate_hz: u32, bits: u16, valid: u16) -> Vec<u8> {
    let mut bytes = fmt(0xfffe, channels, rate_hz, bits);
    bytes.extend_from_slice(&22u16.to_le_bytes());
    bytes.extend_from_slice(&valid.to_le_bytes());
    bytes.extend_from_slice(&0u32.to_le_bytes());
    bytes.extend_from_slice(&tag.to_le_bytes());
    bytes.extend_from_slice(&[0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
    bytes
}

fn floats(values: &[f32]) -> Vec<u8> {
    values.iter().flat_map(|v| v.to_le_bytes()).collect()
}

/// Every integer width against files of `hound`, which writes the plain form up to 16 bit and the
/// extensible form above.
#[test]
fn integers_written_by_hound() {
    let folder = tempdir().expect("a temporary folder");
    for bits in [8u16, 16, 24, 32] {
        for channels in [1u16, 2, 3, 7] {
            let path = folder.path().join(format!("{bits}-{channels}.wav"));
            let spec = WavSpec {
                channels,
                sample_rate: 44_100,
                bits_per_sample: bits,
                sample_format: SampleFormat::Int,
            };
            let top = (1i64 << (bits - 1)) - 1;
            let mut writer = WavWriter::create(&path, spec).expect("created");
            let frames: Vec<i64> = vec![0, top, -top - 1, 1, -1, top / 3];
            for &frame in &frames {
                for channel in 0..channels {
                    let value = frame / (i64::from(channel) + 1);
                    writer.write_sample(value as i32).expect("written");
                }
            }
            writer.finalize().expect("finished");

            let full_scale = (top + 1) as f64;
            for channel in 1..=channels {
                let clip = read_wav(&path, ChannelChoice::One(channel)).expect("read");
                assert_eq!(clip.sample_rate_hz, 44_100);
                let expected: Vec<f64> =
                    frames.iter().map(|f| (f / i64::from(channel)) as f64 / full_scale).collect();
                assert_eq!(clip.samples, expected, "{bits} bit, channel {channel} of {channels}");
            }
            let mix = read_wav(&path, ChannelChoice::Mix).expect("read");
            for (sample, frame) in mix.samples.iter().zip(&frames) {
                let mean = (1..=i64::from(channels)).map(|c| (frame / c) as f64).sum::<f64>()
                    / (full_scale * f64::from(channels));
                assert!((sample - mean).abs() < 1e-15, "{sample} is not {mean}");
            }
        }
    }
}

#[test]
fn floats_written_by_hound() {
    let folder = tempdir().expect("a temporary folder");
    let path = folder.path().join("float.wav");
    let spec = WavSpec {
        channels: 2,
        sample_rate: 192_000,
        bits_per_sample: 32,
        sample_format: SampleFormat::Float,
    };
    let mut writer = WavWriter::create(&path, spec).expect("created");
    for value in [0.25f32, -0.75, 1.5, 0.1] {
        writer.write_sample(value).expect("written");
    }
    writer.finalize().expect("finished");
    let right = read_wav(&path, ChannelChoice::One(2)).expect("read");
    assert_eq!(right.samples, [-0.75, f64::from(0.1f32)]);
    assert_eq!(right.sample_rate_hz, 192_000);
}

#[test]
fn forms_by_hand() {
    let plain_float = riff(&[
        (b"fmt ", fmt(3, 1, 48_000, 32)),
        (b"fact", 2u32.to_le_bytes().to_vec()),
        (b"data", floats(&[0.5, -0.25])),
    ]);
    assert_eq!(parse(&plain_float, ChannelChoice::Mix).expect("good").samples, [0.5, -0.25]);

    let doubles: Vec<u8> = [0.1f64, -1e-12].iter().flat_map(|v| v.to_le_bytes()).collect();
    let float64 = riff(&[(b"fmt ", fmt(3, 1, 48_000, 64)), (b"data", doubles)]);
    assert_eq!(parse(&float64, ChannelChoice::Mix).expect("good").samples, [0.1, -1e-12]);

    // 24 valid bits at the top of 32, as the extensible form prescribes.
    let data = (-(1i32 << 30)).to_le_bytes().to_vec();
    let in_four = riff(&[(b"fmt ", fmt_extensible(1, 1, 96_000, 32, 24)), (b"data", data)]);
    assert_eq!(parse(&in_four, ChannelChoice::Mix).expect("good").samples, [-0.5]);

    // 24 bit in three bytes, one frame: an odd length with no padding at the end of the file.
    let mut odd = riff(&[(b"fmt ", fmt(1, 1, 48_000, 24)), (b"data", vec![0, 0, 0x40])]);
    odd.pop();
    assert_eq!(parse(&odd, ChannelChoice::Mix).expect("good").samples, [0.5]);

    // Chunks that nobody asked for, one of odd length, before and after the sound.
    let noisy = riff(&[
        (b"LIST", b"abc".to_vec()),
        (b"fmt ", fmt(1, 1, 48_000, 16)),
        (b"junk", vec![7; 5]),
        (b"data", vec![0, 0x40]),
        (b"id3 ", vec![1; 9]),
    ]);
    assert_eq!(parse(&noisy, ChannelChoice::Mix).expect("good").samples, [0.5]);

    // A wrong size of the outermost chunk does no harm: many programs write one.
    let mut outer = riff(&[(b"fmt ", fmt(1, 1, 48_000, 16)), (b"data", vec![0, 0x40])]);
    outer[4..8].copy_from_slice(&0u32.to_le_bytes());
    assert_eq!(parse(&outer, ChannelChoice::Mix).expect("good").samples, [0.5]);
}

/// RF64 after EBU Tech 3306: the true sizes are in the ds64 chunk.
#[test]
fn rf64() {
    let mut ds64 = Vec::new();
    ds64.extend_from_slice(&0u64.to_le_bytes());
    ds64.extend_from_slice(&4u64.to_le_bytes());
    ds64.extend_from_slice(&2u64.to_le_bytes());
    ds64.extend_from_slice(&0u32.to_le_bytes());
    let mut file = riff(&[
        (b"ds64", ds64),
        (b"fmt ", fmt(1, 1, 96_000, 16)),
        (b"data", vec![0, 0x40, 0, 0xc0]),
    ]);
    file[..8].copy_from_slice(b"RF64\xff\xff\xff\xff");
    let size_at = file.len() - 8;
    file[size_at..size_at + 4].copy_from_slice(&[0xff; 4]);
    assert_eq!(parse(&file, ChannelChoice::Mix).expect("good").samples, [0.5, -0.5]);

    // The same without its ds64 chunk.
    let mut bare = riff(&[(b"fmt ", fmt(1, 1, 96_000, 16)), (b"data", vec![0; 4])]);
    bare[..8].copy_from_slice(b"RF64\xff\xff\xff\xff");
    let size_at = bare.len() - 8;
    bare[size_at..size_at + 4].copy_from_slice(&[0xff; 4]);
    assert!(refused(&bare).to_string().contains("ds64"));
}

#[test]
fn not_wav_at_all() {
    for (bytes, hint) in [
        (&b""[..], "empty"),
        (b"RIFF", "only 4 bytes"),
        (b"fLaC\0\0\0\x22aaaaaaaa", "FLAC"),
        (b"ID3\x04aaaaaaaaaaaa", "MP3"),
        (b"FORM\0\0\0\0AIFF", "AIFF"),
        (b"frequency_hz,db\n", "starts with \"freq\""),
        (b"RIFF\x04\0\0\0AVI ", "\"AVI \""),
    ] {
        let error = refused(bytes);
        assert!(matches!(error, AudioError::NotWav { .. }), "{error}");
        assert!(error.to_string().contains(hint), "{error}");
    }
}

#[test]
fn damaged_heads() {
    let good_fmt = fmt(1, 1, 48_000, 16);
    let mut wrong_frame = fmt(1, 2, 48_000, 16);
    wrong_frame[12] = 3;
    let data = || (b"data", vec![0u8; 4]);
    for (file, hint) in [
        (riff(&[]), "before its fmt chunk"),
        (riff(&[(b"fmt ", good_fmt.clone())]), "before its data chunk"),
        (riff(&[(b"data", vec![0; 4]), (b"fmt ", good_fmt.clone())]), "before any fmt"),
        (riff(&[(b"fmt ", vec![1, 0, 1]), data()]), "too short"),
        (riff(&[(b"fmt ", fmt(1, 0, 48_000, 16)), data()]), "0 channels"),
        (riff(&[(b"fmt ", wrong_frame), data()]), "3 bytes a frame"),
        (riff(&[(b"fmt ", fmt(0xfffe, 1, 48_000, 16)), data()]), "extensible"),
        (riff(&[(b"fmt ", good_fmt), (b"data", vec![0; 3])]), "no whole number of frames"),
    ] {
        let error = refused(&file);
        assert!(matches!(error, AudioError::Damaged { .. }), "{error}");
        assert!(error.to_string().contains(hint), "{error}");
    }
}

#[test]
fn encodings_that_are_not_read() {
    for (tag, bits, hint) in [
        (1, 0, "PCM of 0 bit"),
        (1, 40, "PCM of 40 bit"),
        (3, 16, "float of 16 bit"),
        (2, 4, "0x0002"),
        (7, 8, "0x0007"),
        (0x55, 0, "0x0055"),
    ] {
        let file = riff(&[(b"fmt ", fmt(tag, 1, 48_000, bits)), (b"data", vec![0; 8])]);
        let error = refused(&file);
        assert!(matches!(error, AudioError::Encoding { .. }), "{error}");
        assert!(error.to_string().contains(hint), "{error}");
    }
    let mut strange = fmt_extensible(1, 1, 48_000, 16, 16);
    strange[39] = 0;
    let error = refused(&riff(&[(b"fmt ", strange), (b"data", vec![0; 8])]));
    assert!(error.to_string().contains("sub-format"), "{error}");
}

#[test]
fn absurd_rates() {
    for rate_hz in [0, 1, 7_999, 768_001, 10_000_000] {
        let error = refused(&riff(&[(b"fmt ", fmt(1, 1, rate_hz, 16)), (b"data", vec![0; 4])]));
        assert!(matches!(error, AudioError::SampleRate { .. }), "{error}");
        assert!(error.to_string().contains("8000 to 768000 Hz"), "{error}");
    }
}

#[test]
fn lengths_that_lie() {
    let good = riff(&[(b"fmt ", fmt(1, 1, 48_000, 16)), (b"data", vec![0; 400])]);
    let size_at = good.len() - 404;
    for promised in [402u32, 4_000_000_000, u32::MAX - 1] {
        let mut lying = good.clone();
        lying[size_at..size_at + 4].copy_from_slice(&promised.to_le_bytes());
        let error = refused(&lying);
        assert!(matches!(error, AudioError::CutShort { held_bytes: 400, .. }), "{error}");
        assert!(error.to_string().contains(&promised.to_string()), "{error}");
    }
    // Cut anywhere: never a panic, never a clip.
    for length in 0..good.len() {
        refused(&good[..length]);
    }
    let empty = riff(&[(b"fmt ", fmt(1, 1, 48_000, 16)), (b"data", vec![])]);
    assert!(matches!(refused(&empty), AudioError::Empty { .. }));
}

#[test]
fn samples_that_are_no_sound() {
    for bad in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e30] {
        let file = riff(&[
            (b"fmt ", fmt(3, 2, 48_000, 32)),
            (b"data", floats(&[0.0, 0.1, 0.2, bad, 0.3, 0.4])),
        ]);
        match refused(&file) {
            AudioError::NoSound { frame: 1, channel: 2, value, .. } => {
                assert_eq!(value.to_bits(), f64::from(bad).to_bits());
            }
            other => panic!("{other}"),
        }
        // The other channel is sound.
        let left = parse(&file, ChannelChoice::One(1)).expect("good");
        assert_eq!(left.samples, [0.0, 0.2, 0.3].map(|v: f32| f64::from(v)));
    }
}

#[test]
fn channels_that_are_not_there() {
    let file = riff(&[(b"fmt ", fmt(1, 2, 48_000, 16)), (b"data", vec![0; 4])]);
    for asked in [0, 3] {
        let error = parse(&file, ChannelChoice::One(asked)).expect_err("no such channel");
        assert!(error.to_string().contains("choose from 1 to 2"), "{error}");
    }
    assert_eq!("2".parse(), Ok(ChannelChoice::One(2)));
    assert_eq!("mix".parse(), Ok(ChannelChoice::Mix));
    assert!("0".parse::<ChannelChoice>().is_err());
    assert!("left".parse::<ChannelChoice>().is_err());
}

#[test]
fn blocks_give_what_the_whole_gives() {
    let values: Vec<f32> = (0..100_001).map(|n| (n as f32 * 0.01).sin()).collect();
    let file = riff(&[(b"fmt ", fmt(3, 1, 48_000, 32)), (b"data", floats(&values))]);
    let whole = parse(&file, ChannelChoice::Mix).expect("good").samples;
    let cursor = std::io::Cursor::new(&file);
    let mut reader =
        WavReader::new(cursor, Path::new("take.wav"), ChannelChoice::Mix).expect("good");
    assert_eq!(reader.format().frames, 100_001);
    assert_eq!(reader.format().encoding, Encoding::Float { bytes: 4 });
    let mut gathered = Vec::new();
    let mut block = [0.0; 777];
    loop {
        let count = reader.read_block(&mut block).expect("read");
        gathered.extend_from_slice(&block[..count]);
        if count < block.len() {
            break;
        }
    }
    assert_eq!(reader.read_block(&mut block).expect("read"), 0);
    assert_eq!(gathered, whole);
}

#[test]
fn missing_files_folders_and_changes() {
    let folder = tempdir().expect("a temporary folder");
    let missing = folder.path().join("gone.wav");
    assert!(matches!(read_wav(&missing, ChannelChoice::Mix), Err(AudioError::Read { .. })));
    assert!(matches!(read_wav(folder.path(), ChannelChoice::Mix), Err(AudioError::Folder { .. })));

    let path: PathBuf = folder.path().join("take.wav");
    let file = riff(&[(b"fmt ", fmt(1, 1, 48_000, 16)), (b"data", vec![0; 2_000_000])]);
    fs::write(&path, &file).expect("written");
    let mut reader = WavReader::open(&path, ChannelChoice::Mix).expect("good");
    let mut block = vec![0.0; 10];
    reader.read_block(&mut block).expect("read");
    reader.check_unchanged().expect("unchanged");
    // Cut off behind our back.
    fs::OpenOptions::new().write(true).open(&path).expect("opened").set_len(1_000).expect("cut");
    let mut rest = vec![0.0; 1_000_000];
    assert!(matches!(reader.read_block(&mut rest), Err(AudioError::Changed { .. })));
    assert!(matches!(reader.check_unchanged(), Err(AudioError::Changed { .. })));
}
