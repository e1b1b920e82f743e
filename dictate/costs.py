"""What each way of binding costs; the cheapest way through a sentence is the reading."""

# Costs, in one place. One unit is about one comma of distance.
COST = {
    "comma": 0.4,  # a separator between a value and what it binds to
    "conjunction": 0.3,
    "over_at_side": 1.5,
    "other_name": 0.7,  # another test's name in between
    "next_name": 0.5,  # a name that follows its value
    "next_name_comma": 1.5,
    "measured": 1.2,  # a name before a number that measures what is named behind it
    "next_side": 0.2,  # a side that follows its value
    "next_side_comma": 1.1,
    "next_side_and": 0.9,
    "next_side_clause": 0.8,  # a side behind a value that is the subject of a clause of its own
    "side_right_behind": 0.35,  # a side before a value that has one right behind it, with a preposition
    "between": 0.8,  # a value in between
    "held_name": 1.0,  # the test in hand from an earlier sentence
    "held_per_sentence": 0.15,
    "named_here": 1.5,  # a held test, where the sentence names one of its own that takes the number
    "held_side": 1.0,
    "no_side": 1.2,
    "no_side_plural": 0.35,
    "no_side_measure": 2.2,
    "no_side_optional": 0.6,
    "skipped_side": 1.2,
    "skipped_name": 0.25,
    "turn": 0.35,  # a change of direction between neighbours
    "shared_turn": 0.8,
    "prepositional": 0.5,  # "... on the right": belongs to what stands before it
    "topic": 0.3,
    "sibling": 0.6,
    "other_detail": 0.5,  # a word of another muscle than the one just named
    "strange_word": 0.45,  # a word the lexicon lacks, in a sentence that names no test
    "unbound": 6.0,
}
MARGIN = 0.16
