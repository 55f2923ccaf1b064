//! Every rule with a journal that breaks it and a twin that does not.

mod bounds;
mod case;
mod pair;
mod reference;
mod rfc2865;
mod rfc2866;
mod rfc2869;
mod rfc3579;
mod rfc3580;
mod rfc4675;
mod rfc5080;
mod rfc5176;
mod sarif;
mod script;
mod trade;
mod watching;
