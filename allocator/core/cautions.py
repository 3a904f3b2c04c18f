"""The cautions that every output carries."""

HEADLINE = (
    "Local law and licensed practice come first. This plan is arithmetic on maps, not advice; "
    "check every rule with the wildlife agency before a trap is set."
)

CAUTIONS = (
    "Permits, the trap-check interval, closed seasons, rules on firearms and bans on moving live animals differ by "
    "place and change: ask the local agency, and note the date of the answer.",
    "Carcasses: the best habitat floods. Plan to haul out rather than bury, as local rules say.",
    "Feral swine carry brucellosis and pseudorabies: wear gloves and eye cover, keep dogs and children away.",
    "Call 811 some business days before driving posts: fence posts count as digging.",
    "Traps catch other animals too: leave the top open, look at the cameras before the door is set.",
    "Have the landowner's permission in writing before anyone enters.",
    "A habitat score is a hypothesis, not a census: survey with cameras before building.",
)

SITE_CAUTION = (
    "Verify on the ground: written permission, 811 before posts, local trapping rules, gloves and eye cover, "
    "other animals. Local law comes first."
)
