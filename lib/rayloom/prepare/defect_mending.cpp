#include "rayloom/prepare/defect_mending.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/prepare/defects.h"

namespace rayloom {

namespace {

/// Steps (down, across) along the four lines.
constexpr std::array<std::array<int, 2>, 4> directions = {{{0, 1}, {1, 0}, {1, 1}, {1, -1}}};

}  // namespace

DefectMending::DefectMending(const std::vector<char>& bad, int rows, int columns, Reach reach, const std::string& field)
    : rows_(rows), columns_(columns) {
  for (std::size_t pixel = 0; pixel < bad.size(); ++pixel)
    if (bad[pixel]) plan(bad, pixel, reach, field);
}

void DefectMending::plan(const std::vector<char>& bad, std::size_t pixel, Reach reach, const std::string& field) {
  const int row = int(pixel / std::size_t(columns_)), column = int(pixel % std::size_t(columns_));
  const auto inside = [&](int r, int c) { return r >= 0 && r < rows_ && c >= 0 && c < columns_; };
  const auto index = [&](int r, int c) { return std::uint32_t(r) * std::uint32_t(columns_) + std::uint32_t(c); };
  const auto good = [&](int r, int c) { return inside(r, c) && !bad[index(r, c)]; };

  struct End {
    std::uint32_t pixel, further;
    int steps;  // 0: none
  };
  const auto look = [&](int down, int across) {
    int steps = 1, r = row + down, c = column + across;
    for (; inside(r, c) && !good(r, c); ++steps, r += down, c += across) {
    }
    if (!inside(r, c)) return End{0, 0, 0};
    return End{index(r, c), good(r + down, c + across) ? index(r + down, c + across) : index(r, c), steps};
  };

  const auto first_line = std::uint32_t(lines_.size());
  double shortest = INFINITY;  // squared length of a line
  std::array<std::pair<End, End>, 4> ends{};
  End nearest{0, 0, 0};
  double nearest_distance = INFINITY;
  for (std::size_t i = 0; i < 4; ++i) {
    if (reach == Reach::row && i > 0 && nearest.steps > 0) break;
    const auto [down, across] = directions[i];
    const double step = down * down + across * across;
    ends[i] = {look(-down, -across), look(down, across)};
    for (const End& end : {ends[i].first, ends[i].second})
      if (end.steps > 0 && end.steps * end.steps * step < nearest_distance) {
        nearest = end;
        nearest_distance = end.steps * end.steps * step;
      }
    if (ends[i].first.steps > 0 && ends[i].second.steps > 0)
      shortest = std::min(shortest, std::pow(ends[i].first.steps + ends[i].second.steps, 2) * step);
  }
  for (std::size_t i = 0; i < 4; ++i) {
    const auto [down, across] = directions[i];
    const auto& [a, b] = ends[i];
    if (a.steps > 0 && b.steps > 0 && std::pow(a.steps + b.steps, 2) * (down * down + across * across) <= 4 * shortest)
      lines_.push_back({a.pixel, a.further, b.pixel, b.further, float(a.steps), float(b.steps)});
  }
  if (lines_.size() == first_line) {
    if (nearest.steps == 0)
      throw BadInput(field + ": the pixel at row " + std::to_string(row) + ", column " + std::to_string(column) +
                     " is bad, and so are all in its row, column and diagonals; some must be good");
    lines_.push_back({nearest.pixel, nearest.pixel, nearest.pixel, nearest.pixel, 1, 1});
  }
  bool corners = reach == Reach::image;
  for (int down = -1; down <= 1; ++down)
    for (int across = -1; across <= 1; ++across)
      corners = corners && ((down == 0 && across == 0) || good(row + down, column + across));
  mends_.push_back({std::uint32_t(pixel), first_line, std::uint32_t(lines_.size()) - first_line, corners});
}

template <class Visit>
void DefectMending::for_mends(int first, int count, const Visit& visit) const {
  const auto by_pixel = [](const Mend& mend, std::size_t pixel) { return mend.pixel < pixel; };
  const std::size_t from = std::size_t(first) * std::size_t(columns_),
                    to = from + std::size_t(count) * std::size_t(columns_);
  const auto begin = std::lower_bound(mends_.begin(), mends_.end(), from, by_pixel);
  const auto end = std::lower_bound(begin, mends_.end(), to, by_pixel);
  for (auto mend = begin; mend != end; ++mend)
    visit(*mend);
}

DefectMending::Rows DefectMending::needed(int first, int count) const {
  int low = first, high = first + count;
  for_mends(first, count, [&](const Mend& mend) {
    const auto read = [&](std::uint32_t pixel) {
      low = std::min(low, int(pixel / std::uint32_t(columns_)));
      high = std::max(high, int(pixel / std::uint32_t(columns_)) + 1);
    };
    for (std::uint32_t i = mend.first_line; i < mend.first_line + mend.lines; ++i)
      for (const std::uint32_t pixel : {lines_[i].further_a, lines_[i].further_b})
        read(pixel);  // these lie further out than a and b
  });
  return {low, high - low};
}

template <class At>
float DefectMending::value_of(const Mend& mend, const At& at) const {
  float best = 0, doubt = INFINITY;
  for (std::uint32_t i = mend.first_line; i < mend.first_line + mend.lines; ++i) {
    const Line& line = lines_[i];
    const float a = at(line.a), b = at(line.b);
    const float m = a + (b - a) * (line.steps_a / (line.steps_a + line.steps_b));
    const bool further = line.further_a != line.a && line.further_b != line.b;
    const float here = further ? std::abs(a + line.steps_a * (a - at(line.further_a)) - m) +
                                     std::abs(b + line.steps_b * (b - at(line.further_b)) - m)
                               : std::abs(a - b);
    if (here < doubt) {
      doubt = here;
      best = m;
    }
  }
  if (!mend.corners) return best;
  const auto wide = std::uint32_t(columns_), p = mend.pixel;
  const float n = at(p - wide), s = at(p + wide), w = at(p - 1), e = at(p + 1);
  const std::array<float, 4> c = {n + w - at(p - wide - 1), n + e - at(p - wide + 1), s + w - at(p + wide - 1),
                                  s + e - at(p + wide + 1)};
  const auto [least, most] = std::minmax_element(c.begin(), c.end());
  const float range = *most - *least, corner = (c[0] + c[1] + c[2] + c[3]) / 4;
  const float line_weight = range * range, corner_weight = doubt * doubt;
  return line_weight + corner_weight > 0 ? (line_weight * best + corner_weight * corner) / (line_weight + corner_weight)
                                         : best;
}

void DefectMending::mend(std::span<float> view, int top, int first, int count) const {
  const std::size_t origin = std::size_t(top) * std::size_t(columns_);
  for_mends(first, count, [&](const Mend& mend) {
    view[mend.pixel - origin] = value_of(mend, [&](std::uint32_t pixel) { return view[pixel - origin]; });
  });
}

std::string unmendable_groups(const std::vector<char>& bad, int rows, int columns) {
  DefectMap map;
  map.rows = rows;
  map.columns = columns;
  for (const char pixel : bad)
    map.states.push_back(pixel ? PixelState::listed : PixelState::good);
  std::size_t groups = 0, pixels = 0;
  const std::vector<DefectGroup> all = defect_groups(map);
  const DefectGroup *largest = nullptr, *cluster = nullptr;
  for (const DefectGroup& group : all) {
    if (group.kernel_pixels == 0) continue;
    const bool line = group.kind == DefectGroup::Kind::line;
    const bool told = line && cluster && group.row >= cluster->row && group.column >= cluster->column &&
                      group.row + group.rows <= cluster->row + cluster->rows &&
                      group.column + group.columns <= cluster->column + cluster->columns;
    if (told) continue;  // a run inside a wider group
    if (!line) cluster = &group;
    ++groups;
    pixels += group.pixels;
    if (!largest || group.pixels > largest->pixels) largest = &group;
  }
  if (groups == 0) return {};
  const auto range = [](int first, int count) {
    return std::to_string(first) + (count > 1 ? " to " + std::to_string(first + count - 1) : "");
  };
  return std::to_string(groups) + (groups == 1 ? " group of bad pixels is" : " groups of bad pixels are") +
         " too dense to be mended from good neighbours (fewer than 5 of 8), " + std::to_string(pixels) +
         " pixels in all; " + (groups == 1 ? "it lies" : "the largest lies") + " at row " +
         range(largest->row, largest->rows) + ", column " + range(largest->column, largest->columns) +
         "; expect rings there";
}

}  // namespace rayloom
