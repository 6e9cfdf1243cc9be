//! A figure as a PNG file.

use plotters::prelude::*;

use super::draw::{Layout, Medium, WIDTH_PX, draw};
use super::error::PlotError;
use super::figure::Figure;
use super::text::Picture;

/// Pixels of the file for each px of the figure.
const ENLARGED: usize = 2;
/// The plotting crate draws hard edges: each pixel of the file is the mean of this many squared.
const SAMPLES: usize = 3;

/// Renders a figure.
pub fn render(figure: &Figure) -> Result<Vec<u8>, PlotError> {
    let layout = Layout::new(figure)?;
    let width = WIDTH_PX as usize * ENLARGED;
    let height = layout.height_px.ceil() as usize * ENLARGED;
    let mut fine = vec![255u8; 3 * width * height * SAMPLES * SAMPLES];
    let fine_size = ((width * SAMPLES) as u32, (height * SAMPLES) as u32);
    let words = {
        let area = BitMapBackend::with_buffer(&mut fine, fine_size).into_drawing_area();
        let medium = Medium { unit: (ENLARGED * SAMPLES) as f64, joins: false };
        let words = draw(&area, figure, &layout, medium)?;
        area.present().map_err(|e| figure.drawing_error(e))?;
        words
    };
    let mut rgb = averaged(&fine, width, height);
    let mut picture = Picture { rgb: &mut rgb, width, height };
    for text in &words {
        picture.write(text, ENLARGED as f64);
    }
    encode(&rgb, width, height).map_err(|e| figure.drawing_error(e))
}

/// Each pixel the mean of its samples.
fn averaged(fine: &[u8], width: usize, height: usize) -> Vec<u8> {
    let mut rgb = Vec::with_capacity(3 * width * height);
    let count = (SAMPLES * SAMPLES) as u32;
    let mut sums = vec![0u32; 3 * width];
    for rows in fine.chunks_exact(3 * width * SAMPLES * SAMPLES) {
        sums.fill(0);
        for row in rows.chunks_exact(3 * width * SAMPLES) {
            for (pixel, samples) in row.chunks_exact(3 * SAMPLES).enumerate() {
                for (i, sample) in samples.iter().enumerate() {
                    sums[3 * pixel + i % 3] += u32::from(*sample);
                }
            }
        }
        rgb.extend(sums.iter().map(|s| ((s + count / 2) / count) as u8));
    }
    rgb
}

fn encode(rgb: &[u8], width: usize, height: usize) -> Result<Vec<u8>, png::EncodingError> {
    let mut file = Vec::new();
    let mut encoder = png::Encoder::new(&mut file, width as u32, height as u32);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Balanced);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(rgb)?;
    writer.finish()?;
    Ok(file)
}
