# What every target of ours is compiled with, and how a library of the house is declared.

set(NIGHTWATT_WARNINGS
    -Wall -Wextra -Wpedantic -Wshadow -Wconversion -Wsign-conversion -Wold-style-cast -Wnon-virtual-dtor
    -Woverloaded-virtual -Wcast-align -Wformat=2 -Wundef -Werror)

set(NIGHTWATT_SANITIZE "" CACHE STRING "address;undefined or thread, for every target")

add_library(nightwatt_options INTERFACE)
# gcc 12 at -O3 sees an overlap in std::string's operator+ that is not there (its bug 105651).
list(APPEND NIGHTWATT_WARNINGS $<$<CXX_COMPILER_ID:GNU>:-Wno-restrict>)
target_compile_options(nightwatt_options INTERFACE ${NIGHTWATT_WARNINGS} -fno-fast-math -ffp-contract=off)
if(CMAKE_SIZEOF_VOID_P EQUAL 4)
  # Times beyond January 2038 and files beyond 2 GB on a machine of 32 bits (glibc 2.34 and newer).
  target_compile_definitions(nightwatt_options INTERFACE _TIME_BITS=64 _FILE_OFFSET_BITS=64)
  # gcc 12 for ARM tells of an interface that changed in its version 7, and sees strings in a std::optional uninitialised.
  target_compile_options(nightwatt_options INTERFACE $<$<CXX_COMPILER_ID:GNU>:-Wno-psabi;-Wno-maybe-uninitialized>)
endif()
if(NIGHTWATT_SANITIZE)
  # g++ 12 sees uninitialised strings in a std::variant once the sanitizers' checks are in; the plain build keeps it.
  if(CMAKE_CXX_COMPILER_ID STREQUAL "GNU")
    target_compile_options(nightwatt_options INTERFACE -Wno-maybe-uninitialized)
  endif()
  string(REPLACE ";" "," _sanitizers "${NIGHTWATT_SANITIZE}")
  target_compile_options(nightwatt_options INTERFACE -fsanitize=${_sanitizers} -fno-omit-frame-pointer -fno-sanitize-recover=all)
  target_link_options(nightwatt_options INTERFACE -fsanitize=${_sanitizers})
endif()
if(NIGHTWATT_FUZZ)
  # The libraries too, or the fuzzer cannot see which way its input went.
  target_compile_options(nightwatt_options INTERFACE -fsanitize=fuzzer-no-link)
endif()

# nightwatt_library(NAME source...): a library of one folder. Its headers lie in FOLDER/include/FOLDER, so that only who
# links the target can include them.
function(nightwatt_library name)
  add_library(nightwatt_${name} STATIC ${ARGN})
  add_library(nightwatt::${name} ALIAS nightwatt_${name})
  target_include_directories(nightwatt_${name} PUBLIC ${CMAKE_CURRENT_SOURCE_DIR}/include PRIVATE ${CMAKE_CURRENT_SOURCE_DIR})
  target_link_libraries(nightwatt_${name} PRIVATE nightwatt_options)
endfunction()
