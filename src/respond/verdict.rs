//! What became of a datagram, by name. Silence has names too.

/// The verdict on one datagram. Its word goes into the journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// Access-Accept.
    Accept,
    /// Access-Reject, and why.
    Reject(Refusal),
    /// Access-Challenge.
    Challenge,
    /// Status-Server answered.
    Status,
    /// Accounting recorded and answered.
    Recorded(Recorded),
    /// A retransmission, which got the same octets again (RFC 5080 section 2.2.2).
    Repeated,
    /// Not answered, and why.
    Dropped(Silence),
}

impl Verdict {
    /// The kebab-case word. Every reject begins with `answered-reject`, every silence with
    /// `dropped`.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Accept => "answered-accept",
            Verdict::Reject(refusal) => refusal.word(),
            Verdict::Challenge => "answered-challenge",
            Verdict::Status => "answered-status",
            Verdict::Recorded(recorded) => recorded.word(),
            Verdict::Repeated => "repeated",
            Verdict::Dropped(silence) => silence.word(),
        }
    }
}

/// Why a request was rejected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Refusal {
    /// The class table denies it.
    Denied,
    /// User-Name and Calling-Station-Id are two different MAC addresses.
    MacMismatch,
    /// MAC authentication without a MAC address.
    NoMac,
    /// MAC authentication with a password that is none of those that are taken.
    MacPassword,
    /// No User-Name.
    NoName,
    /// No account of that name.
    UnknownAccount,
    /// Not the account's password.
    WrongPassword,
    /// User-Password or CHAP-Password of a length that its RFC does not allow.
    PasswordForm,
    /// The account has no password, so only a certificate can prove it.
    NoPassword,
    /// The method needs the password as text, and the bench has only its hash.
    NeedsText,
    /// The account is disabled.
    Disabled,
    /// The account's password must be changed first.
    MustChangePassword,
    /// The account's password is expired.
    Expired,
    /// The bench sets up no EAP method.
    NoEap,
    /// The State is of no EAP conversation in progress.
    NoConversation,
    /// Supplicant and bench have no EAP method in common.
    MethodRefused,
    /// The supplicant ended TLS with an alert: it refuses the bench's certificate, for one.
    TlsAlert,
    /// The bench refuses the supplicant's certificate.
    Certificate,
    /// TLS failed otherwise.
    Tls,
    /// EAP failed otherwise.
    EapFailure,
    /// Authorize-Only for a session that is not known.
    NoSession,
    /// The class's grant can't be spelt in the switch's dialect, or does not fit one packet.
    CannotSpell,
}

impl Refusal {
    /// The kebab-case word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Refusal::Denied => "answered-reject",
            Refusal::MacMismatch => "answered-reject-mac-mismatch",
            Refusal::NoMac => "answered-reject-no-mac",
            Refusal::MacPassword => "answered-reject-mac-password",
            Refusal::NoName => "answered-reject-no-name",
            Refusal::UnknownAccount => "answered-reject-unknown-account",
            Refusal::WrongPassword => "answered-reject-wrong-password",
            Refusal::PasswordForm => "answered-reject-password-form",
            Refusal::NoPassword => "answered-reject-no-password",
            Refusal::NeedsText => "answered-reject-needs-text",
            Refusal::Disabled => "answered-reject-disabled",
            Refusal::MustChangePassword => "answered-reject-must-change-password",
            Refusal::Expired => "answered-reject-expired",
            Refusal::NoEap => "answered-reject-no-eap",
            Refusal::NoConversation => "answered-reject-no-conversation",
            Refusal::MethodRefused => "answered-reject-method-refused",
            Refusal::TlsAlert => "answered-reject-tls-alert",
            Refusal::Certificate => "answered-reject-certificate",
            Refusal::Tls => "answered-reject-tls",
            Refusal::EapFailure => "answered-reject-eap-failure",
            Refusal::NoSession => "answered-reject-no-session",
            Refusal::CannotSpell => "answered-reject-cannot-spell",
        }
    }
}

/// What an Accounting-Request recorded (Acct-Status-Type, RFC 2866 section 5.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Recorded {
    /// A session began.
    Start,
    /// A session goes on.
    Interim,
    /// A session ended.
    Stop,
    /// The switch began accounting: it restarted.
    On,
    /// The switch ends accounting: it is about to restart.
    Off,
    /// A status that concerns no session here.
    Other,
}

impl Recorded {
    /// The kebab-case word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Recorded::Start => "recorded-start",
            Recorded::Interim => "recorded-interim",
            Recorded::Stop => "recorded-stop",
            Recorded::On => "recorded-on",
            Recorded::Off => "recorded-off",
            Recorded::Other => "recorded-other",
        }
    }
}

/// Why a datagram was not answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Silence {
    /// Not from a declared switch.
    UnknownSwitch,
    /// Not a RADIUS packet.
    Malformed,
    /// Over 4096 octets.
    Oversized,
    /// A response, where requests arrive.
    NotARequest,
    /// A packet code that is none of RADIUS's requests.
    UnknownCode,
    /// A request that belongs on another port.
    WrongPort,
    /// Message-Authenticator is wrong.
    BadMessageAuthenticator,
    /// Message-Authenticator is missing where it is required.
    MissingMessageAuthenticator,
    /// The Request Authenticator of an Accounting-Request is wrong.
    BadAccountingAuthenticator,
    /// An Access-Request that proves nothing.
    NoCredentials,
    /// An Access-Request with more than one kind of proof.
    MixedCredentials,
    /// An Accounting-Request without Acct-Status-Type.
    NoStatusType,
    /// An EAP packet that EAP itself discards silently.
    EapDiscarded,
    /// Too many EAP conversations at once.
    EapOverload,
    /// Not even a reject has room for the Proxy-State attributes of the request.
    NoRoom,
}

impl Silence {
    /// The kebab-case word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Silence::UnknownSwitch => "dropped-unknown-switch",
            Silence::Malformed => "dropped-malformed",
            Silence::Oversized => "dropped-oversized",
            Silence::NotARequest => "dropped-not-a-request",
            Silence::UnknownCode => "dropped-unknown-code",
            Silence::WrongPort => "dropped-wrong-port",
            Silence::BadMessageAuthenticator => "dropped-bad-message-authenticator",
            Silence::MissingMessageAuthenticator => "dropped-missing-message-authenticator",
            Silence::BadAccountingAuthenticator => "dropped-bad-accounting-authenticator",
            Silence::NoCredentials => "dropped-no-credentials",
            Silence::MixedCredentials => "dropped-mixed-credentials",
            Silence::NoStatusType => "dropped-no-status-type",
            Silence::EapDiscarded => "dropped-eap-discarded",
            Silence::EapOverload => "dropped-eap-overload",
            Silence::NoRoom => "dropped-no-room",
        }
    }
}
