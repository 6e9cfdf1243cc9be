//! Filling the named places of the page's skeleton.

use super::PageError;

/// Replaces each `{{name}}` by its value, in one pass: what is filled in is never read again, so
/// text which looks like a place stays text.
pub(super) fn fill(skeleton: &str, values: &[(&str, &str)]) -> Result<String, PageError> {
    let length = values.iter().map(|(_, value)| value.len()).sum::<usize>() + skeleton.len();
    let mut page = String::with_capacity(length);
    let mut rest = skeleton;
    while let Some(start) = rest.find("{{") {
        page.push_str(&rest[..start]);
        let place = &rest[start + 2..];
        let end = place.find("}}").ok_or(PageError::Skeleton { place: place.to_owned() })?;
        let name = &place[..end];
        let (_, value) = values
            .iter()
            .find(|(known, _)| *known == name)
            .ok_or(PageError::Skeleton { place: name.to_owned() })?;
        page.push_str(value);
        rest = &place[end + 2..];
    }
    page.push_str(rest);
    Ok(page)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_filled_in_is_not_filled_again() {
        let page = fill("<{{a}}|{{b}}>", &[("a", "{{b}}"), ("b", "2")]).unwrap();
        assert_eq!(page, "<{{b}}|2>");
    }

    #[test]
    fn an_unknown_place_is_our_own_fault_and_said() {
        assert!(matches!(fill("{{c}}", &[]), Err(PageError::Skeleton { place }) if place == "c"));
        assert!(fill("{{c", &[("c", "")]).is_err());
    }
}
