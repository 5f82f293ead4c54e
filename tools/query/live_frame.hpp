// A live view as it is to be seen, made of what is known and of the room there is: nothing else.
#pragma once

#include <string>

#include "frame.hpp"
#include "live_picture.hpp"

namespace nightwatt::query {

/// Below this a curve says nothing; the words are shown alone.
inline constexpr std::size_t least_chart_rows = 3;

/// `with_meters`: the list of all meters below the curve.
[[nodiscard]] Frame live_frame(const LivePicture& picture, const LiveChoice& choice, ScreenSize size, bool with_meters);
/// Columns of the curve on a screen so wide.
[[nodiscard]] std::size_t live_columns(ScreenSize size);

/// The same moment in one line, for a file or a pipe.
[[nodiscard]] std::string live_line(const LivePicture& picture);
/// And as one JSON object, without its newline.
void write_live_json(Sink& out, const LivePicture& picture);

/// `good to 1 % in about 3 min`, and so on.
[[nodiscard]] std::string forecast_text(const LevelForecast& forecast);

}  // namespace nightwatt::query
