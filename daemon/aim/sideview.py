"""Side view of a flight in plain characters: table, net, path and touches, with a scale in cm."""

from drillfeed.daemon.physics.record import Flight
from drillfeed.daemon.physics.table import NET_HEIGHT_M, NET_X_M, TABLE_LENGTH_M
from drillfeed.protocol.texts.catalogue import text

PATH, TOUCH, NET, TABLE = "o", "x", "|", "="
SAMPLES = 60


def path_of(flight: Flight, per_piece: int = SAMPLES) -> list[tuple[float, float, float, float]]:
    """Return points (t, x, y, z) along a flight, the same number of them on each piece."""
    points = [piece.point(k / per_piece) for piece in flight.pieces for k in range(per_piece)]
    return [*points, flight.pieces[-1].point(1.0)]


def side_view(flight: Flight, width: int = 78) -> str:
    """Return the side view as text; both axes have the same scale, since a character is twice as high as wide."""
    points = path_of(flight)
    left = min(-0.3, flight.launch.position_m[0] - 0.1)
    right = TABLE_LENGTH_M + 0.5
    columns = width - 6
    per_m = columns / (right - left)
    top = max(0.35, max(z for _, _, _, z in points) + 0.05)
    rows = int(top * per_m / 2.0) + 1
    canvas = [[" "] * columns for _ in range(rows + 1)]

    def put(x: float, z: float, mark: str) -> None:
        column, row = int((x - left) * per_m), rows - 1 - int(z * per_m / 2.0)
        if 0 <= column < columns and 0 <= row < rows:
            canvas[row][column] = mark

    for column in range(columns):
        if 0.0 <= left + (column + 0.5) / per_m <= TABLE_LENGTH_M:
            canvas[rows][column] = TABLE
    for row in range(int(NET_HEIGHT_M * per_m / 2.0) + 1):
        put(NET_X_M, row * 2.0 / per_m, NET)
    for _, x, _, z in points:
        put(x, z, PATH)
    for touch in flight.bounces:
        put(touch.x_m, 0.0, TOUCH)
    lines = []
    for i, row_marks in enumerate(canvas):
        height = 100 * (rows - 1 - i) * 2.0 / per_m
        label = f"{height:4.0f} " if i < rows and (rows - 1 - i) % 4 == 0 else "     "
        lines.append((label + "".join(row_marks)).rstrip())
    lines.append(_ruler(left, per_m, columns))
    lines.append(text("plot.side-view"))
    return "\n".join(lines)


def _ruler(left: float, per_m: float, columns: int) -> str:
    ruler = [" "] * (columns + 10)
    for cm in range(0, 301, 50):
        column = int((cm / 100 - left) * per_m)
        for k, digit in enumerate(str(cm)):
            if 0 <= column + k < len(ruler):
                ruler[column + k] = digit
    return "     " + "".join(ruler).rstrip()
