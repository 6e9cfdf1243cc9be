//! Writes an audition page from invented data, to look at the page and to test it in a browser.
//!
//! `cargo run --release --example audition_page -- OUT.html`

mod invented;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let out = std::env::args().nth(1).unwrap_or_else(|| "audition.html".to_owned());
    let page = presolder::page::write_page(&invented::job(12.0))?;
    std::fs::write(&out, &page.html)?;
    println!(
        "{out}: {:.2} MB, of which {:.2} MB are {} clips",
        page.html.len() as f64 / 1e6,
        page.sound_bytes as f64 / 1e6,
        page.sounds
    );
    Ok(())
}
