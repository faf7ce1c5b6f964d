"""The way of a frame is kept for the next one of its identifier, up to a limit."""

from logger.decode.descriptions import Match, MessageTable, message_key
from logger.decode.frames import Frame
from logger.pipeline.folding import MOST_ROUTES
from logger.pipeline.spec import Feed, PipelineSpec
from tests.builders import channel, dbc, described, run


def test_more_identifiers_than_are_kept_are_decoded_all_the_same() -> None:
    # A group with an address: any of 256 receivers and 256 senders is in the identifier
    # (SAE J1939-21, 5.2).
    message = described(dbc(["0|16@1- (0.1,0)"], 0x98061234))
    spec = PipelineSpec(
        messages={
            "drive": MessageTable([(message_key(message, Match.GROUP), message)])
        },
        message_feeds={("drive", message.name): (Feed(channel("pack.current_a"), 0),)},
    )
    data = (-360).to_bytes(2, "little", signed=True) + bytes(6)
    count = MOST_ROUTES + 500
    items = [
        Frame(100 * n, n, "drive", 0x18060000 + n, True, data) for n in range(count)
    ]
    outcome = run(spec, items)
    (tick,) = outcome.ticks
    cell = tick.cells["pack.current_a"]
    assert (cell.n, cell.low, cell.high) == (count, -36.0, -36.0)
    assert outcome.closing.unmatched_frames == 0
