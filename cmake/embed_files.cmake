# Run by nightwatt_embed: writes FOLDER/NAME.cpp and .hpp from FILES. Bytes rather than literals, which have a length limit.
set(header "// The files of ${NAME}, as text.\n#pragma once\n\n#include <string_view>\n\nnamespace nightwatt::embedded {\n")
set(source "#include \"${NAME}.hpp\"\n\nnamespace nightwatt::embedded {\n")
foreach(file ${FILES})
  cmake_path(GET file FILENAME variable)
  string(MAKE_C_IDENTIFIER ${variable} variable)
  file(READ ${file} bytes HEX)
  string(REGEX REPLACE "(..)" "'\\\\x\\1'," bytes "${bytes}")
  string(APPEND header "extern const std::string_view ${variable};\n")
  string(APPEND source "static constexpr char ${variable}_bytes[] = {${bytes}'\\0'};\n"
    "const std::string_view ${variable}(${variable}_bytes, sizeof ${variable}_bytes - 1);\n")
endforeach()
file(WRITE ${FOLDER}/${NAME}.hpp "${header}}  // namespace nightwatt::embedded\n")
file(WRITE ${FOLDER}/${NAME}.cpp "${source}}  // namespace nightwatt::embedded\n")
