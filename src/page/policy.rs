//! The Content-Security-Policy: only the page's own script and style run, and nothing is loaded.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use hmac_sha256::Hash;

/// The policy for a page with exactly this inline script and this inline style.
///
/// `default-src 'none'` forbids every request; the hashes (Content Security Policy Level 3,
/// section 2.3.1) let through only the two elements whose text is known, so markup which slipped in
/// through a job file could not run either.
pub(super) fn content_security_policy(script: &str, style: &str) -> String {
    let hash = |text: &str| STANDARD.encode(Hash::hash(text.as_bytes()));
    format!(
        "default-src 'none'; script-src 'sha256-{}'; style-src 'sha256-{}'; base-uri 'none'; form-action 'none'",
        hash(script),
        hash(style)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn policy_carries_the_hash_of_the_text() {
        // `printf "alert('Hello, world.');" | openssl dgst -sha256 -binary | base64`
        let policy = content_security_policy("alert('Hello, world.');", "");
        assert!(policy.contains("'sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng='"));
        assert!(policy.starts_with("default-src 'none';"));
        assert!(!policy.contains("unsafe"));
    }
}
