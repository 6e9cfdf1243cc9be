//! Keeping text from a job file text, wherever it lands in the page.

use std::fmt;

use serde::Serialize;

/// Writes a string as HTML text or as the inside of a quoted attribute.
///
/// The five characters that can end either are replaced, and control characters, which no job needs
/// and HTML forbids, become U+FFFD.
#[derive(Clone, Copy)]
pub(super) struct Text<'a>(pub &'a str);

impl fmt::Display for Text<'_> {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        use fmt::Write;
        for symbol in self.0.chars() {
            match symbol {
                '&' => out.write_str("&amp;")?,
                '<' => out.write_str("&lt;")?,
                '>' => out.write_str("&gt;")?,
                '"' => out.write_str("&quot;")?,
                '\'' => out.write_str("&#39;")?,
                '\n' | '\t' => out.write_char(symbol)?,
                other if other.is_control() => out.write_char('\u{fffd}')?,
                other => out.write_char(other)?,
            }
        }
        Ok(())
    }
}

/// Paragraphs parted by empty lines, each in its own element.
pub(super) fn paragraphs(text: &str) -> String {
    text.replace("\r\n", "\n")
        .split("\n\n")
        .map(str::trim)
        .filter(|paragraph| !paragraph.is_empty())
        .map(|paragraph| format!("<p>{}</p>\n", Text(paragraph)))
        .collect()
}

/// JSON that can stand in a `<script type="application/json">` element.
///
/// An HTML parser looks for `</script` and `<!--` in there and knows nothing of JSON strings, so no
/// `<` may be left; JSON lets it be written as an escape.
pub(super) fn json_for_script<T: Serialize>(data: &T) -> Result<String, serde_json::Error> {
    Ok(serde_json::to_string(data)?
        .replace('<', "\\u003c")
        .replace('>', "\\u003e")
        .replace('&', "\\u0026"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_title_cannot_end_its_element_or_attribute() {
        let title = "</script><b a='x' b=\"y\">&\u{0}";
        let safe = Text(title).to_string();
        assert_eq!(safe, "&lt;/script&gt;&lt;b a=&#39;x&#39; b=&quot;y&quot;&gt;&amp;\u{fffd}");
    }

    #[test]
    fn json_keeps_its_meaning_and_holds_no_markup() {
        let title = "</script><!-- & \" \u{2028}";
        let json = json_for_script(&title).unwrap();
        assert!(!json.contains(['<', '>', '&']));
        let back: String = serde_json::from_str(&json).unwrap();
        assert_eq!(back, title);
    }

    #[test]
    fn paragraphs_are_parted_by_empty_lines() {
        assert_eq!(paragraphs("a\r\n\r\nb <\n\n\n"), "<p>a</p>\n<p>b &lt;</p>\n");
    }
}
